"""The practices whose files are pooled, each with its key numbers, as whoever pools has written them down.

```toml
[practices]
"Oak Street" = ["48213 90772 11834 55021 66310 20817"]
"Ashby and Moor" = ["70114 28390 66125 90347 11508 43862", "55190 ..."]   # the second since the first was lost
```

A key number is read over the telephone, never taken from the file that it signs. Names stay in this file.
"""

import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path

from pipeline.machine.errors import ConfigError, DataError
from pipeline.release.pool.contribution import Contribution
from pipeline.release.pool.marks import draws_of, patients_of
from pipeline.release.pool.signing import key_number, read_key_number

LARGEST_BYTES = 1_000_000
# From so many patients on, copies, parts and halves of 15 practices were all known (tests/pool/test_pool_doubles).
FEWEST_KNOWN = 500
EXAMPLE = '"Oak Street" = ["48213 90772 11834 55021 66310 20817"]'


def read_members(path: Path) -> dict[str, str]:
    """The practice's name by each key number.

    Raises ConfigError where the file is none, holds what is no key number, or one number stands under two practices.
    """
    try:
        if not path.is_file() or path.stat().st_size > LARGEST_BYTES:
            raise ConfigError(f"{path.name}: there is no such list of members. It is a short text file: {EXAMPLE}.")
        raw = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError:
        raise ConfigError(f"{path.name}: the list of members cannot be read.") from None
    except (ValueError, RecursionError):
        raise ConfigError(
            f"{path.name} is no list of members: it is not valid TOML. A line of it: {EXAMPLE}."
        ) from None
    practices = raw.get("practices")
    if set(raw) != {"practices"} or not isinstance(practices, dict) or not practices:
        raise ConfigError(f"{path.name}: a list of members has [practices] and under it lines such as {EXAMPLE}.")
    found: dict[str, str] = {}
    for name, given in practices.items():
        for text in [given] if isinstance(given, str) else given if isinstance(given, list) else [None]:
            number = read_key_number(text) if isinstance(text, str) else None
            if number is None:
                raise ConfigError(f'{path.name}: "{name}" has what is no key number: it has 30 digits. {EXAMPLE}.')
            if found.setdefault(number, name) != name:
                raise ConfigError(f'{path.name}: one key number stands under "{found[number]}" and under "{name}".')
    return found


def refuse_unlisted(given: Sequence[Contribution], *, taken: bool) -> None:
    """Refuse files without a list of members, unless such are `taken` by name; of these, files of few patients.

    Without a list whoever makes up a practice with a key of his own is one, and of few patients a second file of the
    same practice is not surely known as such.

    Raises DataError, naming a file of few patients by its practice's code.
    """
    if given and not taken:
        raise DataError(
            "There is no list of members: a signature shows that a file is as somebody wrote it, not who, and anyone "
            "can make up a practice and sign it. Have each practice read its key number to you over the telephone, and "
            f"write them into a list (--members FILE; members under [evidence]): {EXAMPLE}. To take files that anyone "
            f"may have made, of {FEWEST_KNOWN} patients or more, say so (--unlisted; unlisted = true)."
        )
    for c in given:
        if patients_of(draws_of(c.marks)) < FEWEST_KNOWN:
            raise DataError(
                f"The file of practice {c.code} is of under about {FEWEST_KNOWN} patients: without a list of members "
                "it is not sure whether it is a second file, or a part, of another one given here. Write the practices "
                f"and their key numbers into a list (--members FILE; members under [evidence]): {EXAMPLE}."
            )


def refuse_strangers(given: Sequence[Contribution], members: Mapping[str, str]) -> None:
    """Refuse files that no member signed, and two of one member, under whichever of its keys.

    Raises DataError, naming the file by its practice's code, and the key number or the member.
    """
    of: dict[str, str] = {}
    for c in given:
        number = key_number(c.key) if c.key else "none"
        name = members.get(number)
        if name is None:
            raise DataError(
                f"The file of practice {c.code} is signed with the key number {number}, which is no member's. If a "
                "member has a new key, have the number read to you over the telephone, and write it beside the former "
                "one in the list of members."
            )
        if name in of:
            raise DataError(
                f'The files of practices {of[name]} and {c.code} are both of the member "{name}": the data of one '
                "practice would count twice. Give the later one of them only."
            )
        of[name] = c.code
