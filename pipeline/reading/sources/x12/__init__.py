"""ASC X12: dental claims (837D) and remittances (835), read segment by segment."""
