"""Channel blocks in, readings out: one file per kind of measurement."""
