"""Papers of a specimen: the reading record, and a sheet for the owner; their words lie in `texts/`."""
