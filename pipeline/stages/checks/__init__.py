"""What a practice's files will give, told before anything is loaded: no database is made or touched."""

from pipeline.stages.checks.check import Checked, check

__all__ = ["Checked", "check"]
