"""The database: the only folder that opens it, and what is kept and gathered there."""
