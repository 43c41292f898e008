"""Technique out of chart notes: free text in, fields of the detail tables out, each with the words that say it."""
