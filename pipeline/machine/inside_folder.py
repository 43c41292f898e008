"""Files that a TOML names lie in its folder or below: what leads out of it is refused unless the practice allows it.

A TOML is a text that others may have written or sent. By an absolute name, `..` or a link it could have the program
read, or write a database over, any file that its user can reach.
"""

import os
from pathlib import Path

from pipeline.machine.errors import ConfigError

SETTING = "files_outside"


def inside(folder: Path, named: str, where: str, *, allowed: bool) -> Path:
    """The path that a name stands for, links followed.

    - `folder`: Of the TOML, links followed.
    - `where`: Section and key, as the message names them.
    - `allowed`: Whether `files_outside` says that files may lie elsewhere.

    Raises ConfigError if it leads out of the folder.
    """
    path = (folder / named).resolve()
    refuse_outside(folder, path, named, where, allowed=allowed)
    return path


def refuse_outside(folder: Path, path: Path, named: str, where: str, *, allowed: bool) -> None:
    """Raise ConfigError where `path`, which `named` stands for, lies outside the folder and that is not allowed."""
    if allowed or Path(os.path.normpath(path)).is_relative_to(folder):
        return
    raise ConfigError(
        f'{where}: "{named}" leads out of the folder of the TOML. Move the file into it; or, if you wrote this line '
        f"yourself and mean it, allow it by the line {SETTING} = true under [practice]."
    )
