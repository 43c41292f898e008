"""`python -m pipeline` is the command `toothyears`."""

from pipeline.cli import main

main()
