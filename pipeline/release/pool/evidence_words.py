"""The verdict on others' figures and ours together: the figure, and which of the three it rests on."""

from pipeline.practice.counts import years
from pipeline.practice.outcomes import outcome
from pipeline.questions.benchmarks import EVENTS, STARTS
from pipeline.results.evidence import EvidenceRange, EvidenceRow

TEETH = {
    "all_endo": "root-filled teeth",
    "initial_endo": "teeth with a first root canal",
    "crowned_after_endo": "teeth crowned after a root canal",
    "all_crowns": "crowned teeth",
}
SINCE = {
    "since_seat": "counted from the seat",
    "since_opening_or_seat": "counted from the opening or, in the others, the seat",
    "since_completion": "counted from the root canal",
    "since_landmark": "counted from the day by which it was settled who was crowned soon",
}
TOGETHER, OURS, OTHERS = "together", "ours", "others"


def share_verdict(row: EvidenceRow) -> str:
    """Teeth of 100 with the event, by what it rests on."""
    event, start, teeth = row.about
    when = f"within {years(row.horizon_years or 0)} of {STARTS[start]}"
    what = f"{EVENTS[event][0].upper()}{EVENTS[event][1:]} {when}, of 100 {TEETH[teeth]}"
    return f"{what}: {_share(_leading(row))}. {_rests(row, 'The published figures', 'the published figures')}"


def ratio_verdict(row: EvidenceRow, labels: tuple[str, str]) -> str:
    """How many times as fast failures came, whether the range holds no difference, and what it rests on."""
    group, reference = labels
    about, clock = row.about[2:]
    r = _leading(row)
    holds = "holds no difference" if r.low <= 1 <= r.high else "stays clear of no difference"
    what = f"{group} against {reference[0].lower()}{reference[1:]}, {SINCE[clock]}"
    much = f"{outcome(about).happened} {r.value:.2f} times as fast ({r.low:.2f} to {r.high:.2f}); the range {holds}"
    return f"{what}: {much}. {_rests(row, 'Other practices', 'other practices')}"


def _leading(row: EvidenceRow) -> EvidenceRange:
    """The range that the verdict rests on."""
    found = {TOGETHER: row.together, OURS: row.ours, OTHERS: row.others}[row.rests_on]
    assert found is not None
    return found


def _rests(row: EvidenceRow, they: str, them: str) -> str:
    if row.rests_on == OTHERS:
        return f"This rests on {them} alone, as far as practices like theirs go: too little is known of ours."
    if row.conflict:
        told = f"in a practice like theirs, ours would lie this far out {_rarely(row.surprise)}"
        return f"{they} and ours conflict ({told}), and ours leads: this rests on ours alone."
    if row.rests_on == OURS:
        return f"This rests on ours alone: with {them} the range is hardly narrower."
    assert row.ours is not None
    r = row.ours
    alone = _share(r) if row.kind == "share" else f"{r.value:.2f} ({r.low:.2f} to {r.high:.2f})"
    return f"This rests on {them} and ours together; ours alone says {alone}."


def _rarely(p: float | None) -> str:
    if p is None:
        return "seldom"
    times = round(100 * p)
    return "less than once in 100" if p < 0.01 else "once in 100" if times == 1 else f"{times} times in 100"


def _share(r: EvidenceRange) -> str:
    return f"{round(r.value)} ({round(r.low)} to {round(r.high)})"
