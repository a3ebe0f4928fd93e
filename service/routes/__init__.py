"""One file per noun; each has a `router` that `service.app` includes under `/api`."""
