"""One module a question, each with a `QUESTION`; a new module here is asked without further words."""
