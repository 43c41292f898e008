"""The same functions over parts of a practice's rows: in this process, in several, or on a cluster."""
