"""From overlapping pictures of one coverslip to one mosaic: places, light, and what could not be placed."""
