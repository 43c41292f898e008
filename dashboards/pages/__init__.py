"""One page per module: results in (or, for what leaves the practice, a released result), HTML out."""
