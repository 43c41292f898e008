"""Survival estimators: a table of follow-up in, a table of results out."""
