"""The notes of a slide: how long it takes, what to say, what not to claim, where its figures come from."""

from collections.abc import Sequence

CLAIM = "that one way of treating causes the other result"


def notes(
    say: str, source: str = "", *, claim: str = CLAIM, time: str = "", questions: Sequence[tuple[str, str]] = ()
) -> str:
    """The notes as text; `questions` are those that listeners are likely to put, with their answers.

    `source` says where the figures come from: the first slide's notes say it for all, those of the others leave it out.
    """
    parts = [time] if time else []
    parts += [f"Say: {say}", f"Do not claim: {claim}."]
    if source:
        parts.append(f"Where it comes from: {source}")
    if questions:
        asked = "\n".join(f"{i}. {question} {answer}" for i, (question, answer) in enumerate(questions, 1))
        parts.append(f"Likely questions:\n{asked}")
    return "\n\n".join(parts)


def shared_out(weights: Sequence[int], half_minutes: int) -> list[int]:
    """Half minutes by weight, at least one each, that add up to `half_minutes`; ties go to the earlier slide.

    `half_minutes` must be at least as many as the weights.
    """
    exact = [w * half_minutes / sum(weights) for w in weights]
    given = [max(1, int(e)) for e in exact]
    places = range(len(weights))
    while sum(given) < half_minutes:
        given[max(places, key=lambda i: (exact[i] - given[i], -i))] += 1
    while sum(given) > half_minutes:
        given[max((i for i in places if given[i] > 1), key=lambda i: (given[i] - exact[i], -i))] -= 1
    return given


def timing(half_minutes: int, before: int, of: int) -> str:
    """`Time: 2.5 minutes, from 1:00 to 3:30 of 20:00.`"""
    length = half_minutes / 2
    unit = "minute" if length <= 1 else "minutes"
    return f"Time: {length:g} {unit}, from {_clock(before)} to {_clock(before + half_minutes)} of {_clock(of)}."


def _clock(half_minutes: int) -> str:
    return f"{half_minutes // 2}:{'30' if half_minutes % 2 else '00'}"
