"""Pages and slides drawn from results; nothing is estimated here."""
