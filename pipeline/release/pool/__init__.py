"""Several practices as one: what a practice gives away for it, and how such files are combined."""
