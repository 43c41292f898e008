"""What a practice is: its settings, teeth, codes, pseudonyms, and every table and field that its records may have."""
