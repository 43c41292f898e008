"""Text from a file, as it may stand on a line of ours."""


def one_line(text: str) -> str:
    """A text without signs that cannot be printed, its words parted by single blanks."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())
