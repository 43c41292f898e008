"""Lists for use inside the practice: what technique is still to be noted, and who is due to be seen again."""
