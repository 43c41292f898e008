"""One chart per module: result in, figure out."""
