"""One module per kind of source file: a file in, text rows out."""
