"""Pure steps on tables: clean, link, follow."""
