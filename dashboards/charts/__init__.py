"""Charts: result in, figure out."""
