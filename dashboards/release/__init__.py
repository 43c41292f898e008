"""From results to what may be shown outside, one module a kind of figure; `released` is the one gate."""
