"""Texts of a file as they stand in a proposed line of PRACTICE.toml."""

import re

# Signs that cannot be seen, or that a TOML string must not hold.
_UNSEEN = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\u200b-\u200f\u202a-\u202e\ufeff]")


def quoted(text: str) -> str:
    """A TOML basic string."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + _UNSEEN.sub(lambda m: f"\\u{ord(m.group()):04X}", escaped) + '"'


def plain(text: str) -> str:
    """Text that can stand in a comment."""
    return _UNSEEN.sub(" ", text)
