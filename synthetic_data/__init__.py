"""An invented practice whose truth is known."""
