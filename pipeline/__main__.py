"""`python -m pipeline` is the command `toothyears`."""

from pipeline.stages.cli import main

main()
