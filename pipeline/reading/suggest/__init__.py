"""Looks at unknown files and proposes a PRACTICE.toml; what could not be seen is asked, never guessed."""
