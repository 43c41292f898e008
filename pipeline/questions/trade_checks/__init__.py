"""What was recorded of technique, held against what the trade knows: arithmetic, sizes, plausible ranges."""
