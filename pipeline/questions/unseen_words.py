"""What may be unseen, in one or two plain sentences; every number in them comes from the result itself."""

from pipeline.practice.counts import count, plural
from pipeline.practice.counts import years as in_years
from pipeline.results.unseen import Moved, Unseen

NOTHING = (
    "The settings say that others do no root canals of these patients, so nothing is taken to be unseen and the answer "
    "stands as counted."
)
AGAINST = "The records say otherwise: {what}. Set root_canals_elsewhere to what is so."
NONE_SEEN = "These records hold no crown that was opened, so nothing tells how many were opened elsewhere."
CONTRADICTED = (
    "What is believed of root canals done by others does not fit these records in any draw, so nothing is corrected."
)
BELIEVED = {
    "some": "some root canals of these patients are done by others",
    "most": "most root canals of these patients are done by others",
    "unknown": "it is not known how many root canals of these patients others do",
}


def longevity_sentences(unseen: Unseen, years: float) -> tuple[str, ...]:
    """Of the main comparison: how many openings, and where the difference would lie."""
    begun = _begin(unseen)
    if begun is not None:
        return begun
    said = [f"These records hold {count(unseen.seen, 'opened crown')}{_by_others(unseen)}. {_how_many(unseen)}"]
    found = _first(unseen, "per_100", "hazard_ratio")
    if found is None:
        return (*said, "Too little is known to say how the answer would move.")
    if found.name == "per_100":
        said.append(_difference(found, f"by {in_years(years)}", "with the root canal through the crown"))
    else:
        said.append(
            f"With them opened crowns would fail {found.corrected.median:.2f} times as fast as those with the root "
            f"canal before the seat (range {found.corrected.low:.2f} to {found.corrected.high:.2f}), instead of "
            f"{found.counted:.2f} times as counted ({found.counted_low:.2f} to {found.counted_high:.2f})."
        )
    return (*said, *_sign(found))


def trial_sentences(unseen: Unseen, years: float) -> tuple[str, ...]:
    """Of the decision on a hyperemic tooth: how many came to need a root canal, and the crown."""
    begun = _begin(unseen)
    if begun is not None:
        return begun
    opened = f"{count(unseen.seen, 'crown')} that {plural(unseen.seen, 'was')} opened"
    hold = f"Of hyperemic teeth seated vital, these records hold {opened}"
    said = [f"{hold}{_by_others(unseen)}. {_how_many(unseen)}"]
    need = _first(unseen, "need_per_100")
    if need is not None:
        c = need.corrected
        said.append(
            f"With them, of 100 hyperemic teeth seated vital, {c.median:.0f} would have come to need a root canal by "
            f"{in_years(years)} (range {c.low:.0f} to {c.high:.0f}), instead of {need.counted:.0f} as counted (range "
            f"{need.counted_low:.0f} to {need.counted_high:.0f})."
        )
    crown = _first(unseen, "per_100")
    if crown is not None:
        said.append(_difference(crown, f"in crowns by {in_years(years)}", "with the root canal first"))
        said += _sign(crown)
    return tuple(said)


def _begin(unseen: Unseen) -> tuple[str, ...] | None:
    """What is said where nothing was drawn; None where something was."""
    if unseen.setting == "none":
        against = _against(unseen)
        return (NOTHING, AGAINST.format(what=against)) if against else (NOTHING,)
    if not unseen.seen:
        return (NONE_SEEN,)
    return (CONTRADICTED,) if unseen.openings is None else None


def _against(unseen: Unseen) -> str:
    counted = (
        (unseen.seen_elsewhere, "opened by others"),
        (unseen.undated, "with an undated root canal by others"),
    )
    return ", ".join(f"{count(n, 'crown')} {what}" for n, what in counted if n)


def _how_many(unseen: Unseen) -> str:
    assert unseen.openings is not None
    spread = unseen.openings
    text = (
        f"As {BELIEVED[unseen.setting]}, {spread.low:,.0f} to {spread.high:,.0f} more may be unseen, the middle being "
        f"about {spread.median:,.0f}."
    )
    if unseen.hinted:
        text += (
            f" {count(unseen.hinted, 'crown')} without a root canal here had a filling that may have closed an opening."
        )
    if unseen.undated:
        undated = count(unseen.undated, "crown")
        text += f" {undated} had a root canal by others on an unknown day, before the seat or after it."
    return text


def _by_others(unseen: Unseen) -> str:
    return f", {unseen.seen_elsewhere:,} of them by others" if unseen.seen_elsewhere else ""


def _difference(found: Moved, when: str, group: str) -> str:
    corrected, counted = found.corrected, (found.counted_low, found.counted_high)
    return (
        f"With what may be unseen the difference {when} would be {_failures(corrected.median)} {group} (range "
        f"{_more(corrected.low)} to {_more(corrected.high)}), instead of {_more(found.counted)} as counted (range "
        f"{_more(counted[0])} to {_more(counted[1])})."
    )


def _sign(found: Moved) -> tuple[str, ...]:
    if found.other_sign is None or (found.name == "per_100" and round(found.counted) == 0):
        return ()
    n = round(100 * found.other_sign)
    if n == 0:
        return ("The answer would point the same way in all but fewer than 1 of 100 draws, chance included.",)
    return (f"The answer would point the other way in {n} of 100 draws, chance included.",)


def _first(unseen: Unseen, *names: str) -> Moved | None:
    by_name = {m.name: m for m in unseen.moved}
    return next((by_name[name] for name in names if name in by_name), None)


def _failures(value: float) -> str:
    n = round(value)
    if n == 0:
        return "no failure more or fewer per 100"
    return f"{_more(value)} {plural(abs(n), 'failure')} per 100"


def _more(value: float) -> str:
    n = round(value)
    return "as many" if n == 0 else f"{abs(n)} {'more' if n > 0 else 'fewer'}"
