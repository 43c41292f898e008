"""What the speaker says with each slide, whole, so that the talk can be given as it stands.

Every figure is one of the released result. A slide is spoken at some 80 words a minute, which leaves time to look.
"""

from dashboards import terms
from dashboards.formats import listing, lower_first, plural
from dashboards.release.released import Released, ReleasedComparison
from dashboards.release.technique import ReleasedContrast, ReleasedTechnique
from dashboards.talk import words
from dashboards.words import shared as words_shared
from dashboards.words import technique as words_technique

RANGES = (
    "The shaded bands are 95 % ranges: what else would still fit these records. The small figures below are those "
    "still followed, in steps of 5; where few are left, believe the line less."
)
# What a verdict on the main question means, in the words in which one would say it aloud.
MEANS = {
    "differs": (
        "No difference lies outside that range, and the finding stands among all the questions that were put to these "
        "records. It is a difference in these records; what made it is another question, and I come to that."
    ),
    "little_difference": (
        "That range lies within the grey stretch. So whatever difference there is, it is too small to matter, by a "
        "rule that was set before anybody looked."
    ),
    "cannot_tell": (
        "So I cannot tell you that it does harm, and I cannot tell you that it does none. That is not the same as no "
        "difference: then the whole range would lie within the grey stretch, and it does not."
    ),
    "depends_on_how_we_count": (
        "What comes out here depends on how one counts, and no way of counting is better for giving a larger figure. "
        "So nothing is claimed, and I would ask you to claim nothing either."
    ),
    "too_early": (
        "There is too little to show here yet. That is not the same as no difference: nobody can know it from these "
        "records so far, whatever the first impression is."
    ),
}


def opening(released: Released, title: str) -> str:
    """Whose records, which question, what is to come."""
    asked = f"The question is this. {title}" if title.endswith("?") else f"The subject is this: {title}."
    return (
        f"Welcome. {words_shared.scope(released)} That is what you will see today, and nothing else: what one "
        f"practice wrote down, not a trial. {asked} I will first show you why it matters, then a way of counting that "
        "leads astray. After that comes what was done instead, what was found, how sure it is, and what we would do. "
        "Small counts are hidden and the others are rounded, so a sum may be out by a few."
    )


def question(released: Released) -> str:
    """Why the question matters: the choice, how often a root canal is needed later, what hangs on it."""
    needed = [f"{words_shared.everyday(e)}" for e in released.everyday if e.points]
    often = (
        f"How often is that? {' '.join(needed)} So it is a real choice: some of these teeth never came to need the "
        "root canal in that time, and others did once the crown was on."
        if needed
        else f"How often that is, these records cannot say. {words.NEEDED}"
    )
    asked = f"So the question is: {released.comparisons[0].question}" if released.comparisons else ""
    kept = " ".join(words_shared.overall(released)[:1])
    return (
        f"Think of a tooth that needs a crown and has a pulp you do not trust. {words.CHOICE} {often} Through the "
        "crown means a hole in a sound restoration, and a filling in that hole. Should such a crown fail sooner, that "
        "would speak for treating first. Should it last as long, there would be less reason to hurry, and more teeth "
        f"would be left alone. {kept} {asked}"
    ).strip()


def trap(c: ReleasedComparison | None, faster: str = "") -> str:
    """The misleading count, why it misleads, what turns when it is mended; `faster` tells it as ratios."""
    why = words_shared.naive_why(c) if c else terms.label_fault("since_seat", "")
    told = f"What comes out is this. {words_shared.naive(c)}. " if c is not None and c.naive is not None else ""
    turned = f"{faster}. The crowns are the same and so are the failures; only the clock is another. " if faster else ""
    return (
        "Let me begin with a mistake that is easy to make. Put all crowns that were ever opened in one pile, on "
        "another all that were seated on a treated tooth, and count from the seat how many failed. "
        f"{told}It sounds fair, and it is not. {why} Think of a crown that is opened long after its seat. On the first "
        "pile it counts from its first day, and all that time it could not fail there: had it failed early, nobody "
        "would have opened it, and it would lie on another pile. So that pile holds survivors, and survivors look "
        f"good. What we do instead is simple. Until it is opened, a crown counts with those that have no root canal; "
        f"from the day of its opening on it counts as opened. {turned}Whenever you hear that something done later made "
        "teeth last longer, ask from which day it was counted."
    )


def method(released: Released, c: ReleasedComparison) -> str:
    """From the records to the groups, what a failure is, how the groups were made comparable."""
    noun = plural(2, terms.outcome(c.outcome).noun)
    flow = "; ".join(f"{lower_first(step)}: about {n}" for step, n in released.methods.flow if n.value is not None)
    groups = listing([f"{g.crowns} with “{g.label}”" for g in c.groups if g.crowns.value is not None])
    began = f"This is how the records became groups: {flow}. " if flow else ""
    held = f"The {noun} counted were about {groups}. " if groups else ""
    return (
        f"{began}{held}{' '.join(words.method_lines(released, c))} A tooth that was not seen again is no success. It "
        "counts for as long as it was seen, and then no more, neither as kept nor as lost. Adjusted means compared as "
        "if the groups had been alike in those things, as far as somebody wrote them down. Teeth of one mouth share "
        "their fate, so two of them tell less than two of two mouths, and the ranges are wider for it. What counts as "
        "a failure, and what is too small to matter, was set before the figures of this run were made."
    )


def curves(c: ReleasedComparison) -> str:
    """How to read the picture, what it shows, and why it is not the answer yet."""
    nouns = plural(2, terms.outcome(c.outcome).noun)
    text = words_shared.curves(c)
    hidden = [said for said in words.hidden(c) if said.lower().rstrip(".") not in text.lower()]
    return " ".join(
        (
            f"From left to right run the years since {terms.clock(c.clock)}; upwards, how many of 100 {nouns} "
            f"{terms.had_happened(c.outcome)} by then. A line that climbs faster is worse. Take a moment to find the "
            f"one that you would have bet on. {text} {' '.join(hidden)} {RANGES} And mind that these lines "
            "are as the teeth came. Nobody drew by chance which tooth was treated how, so the groups may differ in "
            "age, in kind of tooth, in material or in years. Two lines that part may part for that alone, and two that "
            "run together may hide a difference. That is why the picture is not the answer yet. The answer is what is "
            "left when these things are taken into account, with its range, and it comes now."
        ).split()
    )


def sure(c: ReleasedComparison) -> str:
    """The difference with its range, other ways to count, what the verdict means, and the reason to doubt."""
    said = (words_shared.result(c), words_shared.reach(c), words_shared.zone(c))
    counted = words_shared.choices(c)
    ways = (
        f"One can count in other ways: other days, other rules, other teeth. {counted} "
        if counted
        else "Other ways to count rest on too few teeth to be shown, or were not tried. "
    )
    return (
        "Here is what is left when the groups are made as alike as the records allow. "
        f"{' '.join(t for t in said if t)} {MEANS[c.verdict_code]} {ways}And there is the doubt that no counting "
        f"removes. {words_shared.doubt(c)} What would settle it? {words_shared.next_step(c)} Until then the honest "
        "picture is the whole range, not the point in its middle; if you write down one thing from this slide, write "
        "down both its ends."
    )


def hyperemic(released: Released) -> str:
    """The three outcomes of the decision, one after another, and how to weigh them."""
    told, third = words_shared.decision(released)[:-1], words_shared.decision(released)[-1]
    return (
        "Now to the tooth where the choice really falls: the pulp is hyperemic when the tooth is prepared, and it "
        "needs a crown. There are two ways. Treat first and crown then, or seat the crown on the vital tooth and wait. "
        f"Three things can be asked of each way. {' '.join(told)} Read the three together: what is gained for one is "
        "paid in the other. Treating first means that every tooth has a root canal. Waiting spares some of them the "
        f"root canal, and has the crowns of others opened later. {third} Nor does anything here say what a patient "
        "felt, paid or wanted. So this is no rule; it is what belongs on the table when you talk it over at the chair."
    )


def technique(released: Released, a: ReleasedTechnique, c: ReleasedContrast) -> str:
    """One contrast, out of how many it was taken, and what its verdict means."""
    headline, caution = words.technique_lines(released)
    means = {
        "differs": "It stands among all the comparisons that were made; still, it shows what went together, not why.",
        "little_difference": (
            "The whole range lies within what was fixed as too small to matter. That is little difference in one "
            "practice, among those who chose it for these teeth, and no ground to change what you do."
        ),
    }.get(
        c.verdict_code,
        "The range holds no difference as well as one that would matter, so the two cannot be told apart yet.",
    )
    return (
        f"Everybody asks about technique, so here is one. {a.title}. {words_technique.contrast(a, c)} {means} "
        f"{headline} That is worth a word. Ask many questions of the same records, and chance alone will answer some "
        "of them; therefore all of them were counted as one family, and a single one that stands out does not suffice. "
        f"{caution} Often one clinician works one way and another the other way, and then nobody can say whether the "
        "technique or the hand made the difference. The appendix has every comparison with its range; ask for yours "
        "when we are done."
    )


def kept(c: ReleasedComparison) -> str:
    """The curves of root-filled teeth, with the verdict."""
    return f"{curves(c)} {words_shared.verdict(c)}. {words_shared.reach(c)} {words_shared.doubt(c)}"


def waiting(released: Released) -> str:
    """How many teeth crowned vital came to need a root canal."""
    said = " ".join(words_shared.everyday(e) for e in released.everyday)
    return (
        f"How often does waiting end in a root canal after all? {said} A mark is a year that may be told, and the "
        f"lines only join the marks. {RANGES} A crown that failed or a tooth that was lost ends the waiting. Which "
        "pulp was called hyperemic is what was written down at the preparation. And for each tooth the answer is not a "
        "share: it comes to need the root canal, or it does not. The share is what you can tell a patient "
        "beforehand, with its range, and it is the price of leaving the others alone."
    )


def action(released: Released) -> str:
    """What we would do, as one says it."""
    head, lines = words.action(released)
    return (
        f"What would we do with this? {head}. {' '.join(lines)} This is a reading and no figure. It follows from the "
        "verdict on the one question that we began with, and from nothing else that you have seen. You may read it "
        "otherwise, and I should like to hear why. What I would ask of you is smaller: look whether your own records "
        "could answer the question at all. Where they could not, it may be for want of two or three things that "
        "take a moment to write down at the chair."
    )


def limits(released: Released, left_out: tuple[str, ...]) -> str:
    """The cautions, read aloud."""
    return f"Before you ask, this is what it cannot carry. {' '.join(words.limits(released, left_out))}"


def references(papers: int) -> str:
    """Thanks, and where the sources are."""
    return (
        f"The methods are those of {papers} published papers; the main ones are here, all of them are in the appendix "
        "and in the handout, which ends with the way to cite this talk. "
        "Thank you for listening. I am glad to take your questions."
    )
