"""Rules for figures that leave the practice, the same for every file and page that is shared.

Counts under 11 are hidden, and so are those of fewer than 11 patients, and those of which one patient could be more
than half. Others are told in steps of 5, up or down by a rule that is drawn from the records: a told count stands for
up to 4 more or fewer, and a difference of two told counts that is sure to be above 0 may always be 11 or more. The same
records are rounded in the same way whatever is asked of them; records that differ in one patient are rounded anew, so
that two releases cannot be subtracted [1]. Counts of one group that several questions tell, and that differ by no more
than the largest hidden count, are all told as the first of them: told apart, they would say that a few differ.

A count that may not be told is treated as none would be: were something else hidden only where a few are, and told
where nobody is, then whoever sees it hidden knew that there are a few, however large it is itself.

A running count changes only when at least 11 further events, of 11 further patients, lie behind the change, and where
as many may have left since it could have changed; nothing is told of a stretch in which fewer than 11 are followed;
shares and differences per 100 move in steps worth at least five of the group, and logarithms of ratios in steps worth
at least five failures of the smaller group. The steps follow from the told counts, so that they tell no more than
these.

References
----------
[1] Hundepool A, Domingo-Ferrer J, Franconi L, et al. Statistical disclosure control. Wiley 2012: random rounding,
    (n, k) dominance, secondary suppression. Cited from memory.
"""

import hmac
import math
import string
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

SMALLEST = 11
STEP = 5
SLACK = STEP - 1  # by how much a told count may be off, either way
LOWEST_TOLD = SMALLEST + SLACK
AS_FIRST = LOWEST_TOLD - 1 + SLACK  # the same of one that is told as another question counts the group
EVENTS_PER_CHANGE = SMALLEST
DOMINANCE_PERCENT = 50
AVERAGE_PERCENT = 10
FEWEST_ROWS = 3  # of a table: so many told counts, and their total, leave what is not told open by SLACK each
VERY_MANY = 2 * SMALLEST  # teeth of one patient
STEPS_PER_100 = (1, 2, 5, 10, 20)
LOG_STEPS = (0.01, 0.02, 0.03, 0.05, 0.07, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5)
ERROR_STEPS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)
_CLOSE = 1e-6
_FINE = 1 << 20
# Characteristics that comparisons adjust for; a name that is none of ours may say something of a practice.
COVARIATES = (
    "age at the seat", "age at completion", "age of the crown", "sex", "tooth group", "material", "bruxism",
    "smoking", "diabetes", "year of the seat", "year of completion", "clinician",
)  # fmt: skip
OTHER_COVARIATE = "another recorded characteristic"


def is_rounded(value: object) -> bool:
    """True for what a rounding may give: None, or a whole multiple of 5; 10 is what earlier versions told of 11."""
    if value is None:
        return True
    return type(value) is int and value >= SMALLEST - 1 and value % STEP == 0


def fewest_behind(told: int) -> int:
    """The smallest count that may be told as `told`."""
    return max(SMALLEST, told - SLACK)


class Rounding:
    """How the figures of one set of records are rounded.

    From which number on a count is told, and where one told count passes into the next, is drawn under `key`: the same
    number is told alike wherever it stands, and a larger one never as less.
    """

    def __init__(self, key: bytes) -> None:
        self._key = key
        self._drawn: dict[str, int] = {}

    @property
    def most_hidden(self) -> int:
        """The largest count that is hidden: 10 to 14."""
        return SMALLEST - 1 + self._draw("hidden", STEP)

    def count(self, n: int) -> int | None:
        """A count in steps of 5, or None (hidden) where it is too small."""
        if n <= self.most_hidden:
            return None
        below = n // STEP
        told = STEP * below if n % STEP <= self._draw(f"count {below}", STEP) else STEP * (below + 1)
        return max(LOWEST_TOLD, told)

    def coarse(self, n: int, step: int) -> int:
        """A count on a wider step, never 0."""
        below = n // step
        return max(step, step * (below + (n % step > self._draw(f"count {step} {below}", step))))

    def running(
        self,
        totals: Sequence[int],
        followed: Sequence[int | None],
        *,
        least: int = 0,
        patients: Sequence[int | None] | None = None,
    ) -> list[int | None]:
        """A count that only grows, held until 11 to 15 more events (drawn) have happened than behind the last change.

        More are asked for, `least`, where one patient may have many of them, and as many further `patients`, by the
        first event of each, where these are counted. It changes only where the told number
        followed has, too, since the last place where it could: no more fail than are followed no longer, so that of a
        change beside an unchanged number it were known to be of 8 or fewer.
        """
        out: list[int | None] = []
        held, behind, his, since = None, 0, 0, 0
        for i, total in enumerate(totals):
            if i == 0 or followed[i] != followed[since]:
                since = i
                told = self.count(total) if total >= least else None
                enough = self.most_hidden + 1 if held is None else self.events_after(held)
                people = None if patients is None else patients[i]
                more = people is None or people - his >= enough
                if told is not None and more and (held is None or total - behind >= max(least, enough)):
                    held, behind, his = told, total, people or 0
            out.append(held)
        return out

    def events_after(self, told: int) -> int:
        """How many events must follow those told as `told` before more are told: 11 to 15.

        Were it 11 for all, whoever has the same curve without one patient would know that he failed, and by when,
        wherever a change comes later without him.
        """
        return EVENTS_PER_CHANGE + self._draw(f"change {told}", STEP)

    def share(self, value: float, step: int) -> int:
        """A value per 100 on one of the two steps around it; which of them, is drawn for this place of the scale.

        Only what is none or all is told as 0 or 100.
        """
        if 0 < value < 100:
            return min(max(self._on_step(value, step), step), 100 - step)
        return self._on_step(value, step)

    def _on_step(self, value: float, step: int) -> int:
        below = math.floor(value / step + _CLOSE)
        over = value / step - below
        return step * (below + (over > _CLOSE and over * _FINE > self._draw(f"share {step} {below}", _FINE)))

    def _draw(self, what: str, of: int) -> int:
        if what not in self._drawn:
            digest = hmac.digest(self._key, what.encode(), "sha256")
            self._drawn[what] = int.from_bytes(digest[:8], "big") % of
        return self._drawn[what]


class Gate:
    """What all figures of one release pass through, so that what is hidden in one place is hidden in every place.

    `teeth_of_one` and `failures_of_one` are the most that one patient has of all teeth counted. `beside` holds, by the
    kind and the group of a count, another that is told of the same teeth: whoever gets both rounded in two ways would
    know of a few between them, so the first is hidden. `first` holds by the same what several questions count of a
    group. A release is walked through until `settled`: what the tables of
    one walk hide for each other's sake holds for the whole of the next. `withheld` counts, of the last walk, what was
    hidden by `place` (set by whoever walks) and reason.
    """

    def __init__(
        self,
        rounding: Rounding,
        *,
        teeth_of_one: int = 1,
        failures_of_one: int = 1,
        beside: Mapping[tuple[str, str], int] | None = None,
        first: Mapping[tuple[str, str], Sequence[int]] | None = None,
    ) -> None:
        self.rounding = rounding
        self._beside = beside or {}
        self._first = {key: self._apart(counts) for key, counts in (first or {}).items()}
        self._of_one = {TEETH: teeth_of_one, FAILURES: failures_of_one}
        self._hidden: set[tuple[str, str, int]] = set()
        self._added = False
        self.place = ""
        self.withheld: Counter[tuple[str, str]] = Counter()

    def walk(self) -> None:
        """Begin a walk."""
        self._added, self.place, self.withheld = False, "", Counter()

    @property
    def settled(self) -> bool:
        """Whether the walk since the last `walk` hid nothing new."""
        return not self._added

    def withhold(self, why: str, n: int = 1) -> None:
        """Note that `n` figures are withheld."""
        if n:
            self.withheld[self.place, why] += n

    def teeth(self, n: int, patients: int | None = None, *, group: str = "") -> int | None:
        """A count of teeth, of that many patients; `group` names the teeth where tables name them too."""
        return self._single(TEETH, group, n, patients)

    def failures(self, n: int, patients: int | None = None, *, group: str = "") -> int | None:
        """A count of failures, or of teeth of a group to which something happened, of that many patients."""
        return self._single(FAILURES, group, n, patients)

    def enough(self, n: float, *, kind: str = "") -> bool:
        """Whether so many teeth, or failures (unless `kind` is `TEETH`), may stand behind a figure."""
        whole = math.floor(n + _CLOSE)
        return whole > self.rounding.most_hidden and not self._of_one_patient(kind or FAILURES, whole)

    def averages(self, teeth: int) -> bool:
        """Whether means and shares of what patients are may be told of so many teeth: they would tell it of one."""
        return 100 * self._of_one[TEETH] <= AVERAGE_PERCENT * teeth

    def running(
        self, totals: Sequence[int], followed: Sequence[int | None], *, patients: Sequence[int | None] | None = None
    ) -> list[int | None]:
        """As `Rounding.running`, so that no one patient can have more than half of the events behind a change."""
        return self.rounding.running(totals, followed, least=self._least(FAILURES), patients=patients)

    @property
    def very_many(self) -> bool:
        """Whether one patient has so many teeth that numbers followed would show when he left."""
        return self._of_one[TEETH] >= VERY_MANY

    def followed(self, numbers: Sequence[int], *, groups: Sequence[str] = ()) -> list[int | None]:
        """Numbers of teeth followed at one time after another; `groups` name the teeth and the times.

        Where one patient has very many, they are told in steps of which he can be no more than half: the time when he
        left would stand out.
        """
        numbers = [self._as_first(FOLLOWED, g, n) for g, n in zip(groups or [""] * len(numbers), numbers, strict=True)]
        if not self.very_many:
            return [self.rounding.count(n) for n in numbers]
        least = self._least(TEETH)
        return [self.rounding.coarse(n, STEP * math.ceil(least / STEP)) if n >= least else None for n in numbers]

    def plain(self, n: int, *, group: str = "") -> int | None:
        """A count of rows or people, of which no one has several."""
        return self.rounding.count(self._as_first(PATIENTS, group, n))

    def table(
        self,
        groups: Sequence[str],
        counts: Sequence[int],
        patients: Sequence[int | None] | None = None,
        *,
        kind: str = "",
        left_out: Sequence[int] = (),
    ) -> list[int | None]:
        """The counts of one table, whose total may be told or summed from another table, where a row may be lacking.

        Each is told by itself alone, where three or more are. The total less one or two told counts would bound a
        hidden one, so of these only the larger is told, where all others together, with the rows that are left out, are
        many; what is hidden is so wherever the same group is counted. Nothing hangs on whether a hidden row is empty.
        """
        kind = kind or TEETH
        people: Sequence[int | None] = patients or [None] * len(counts)
        names = [(kind, g, n) for g, n in zip(groups, counts, strict=True)]
        told = [self._single(k, g, n, p) for (k, g, n), p in zip(names, people, strict=True)]
        shown = [i for i, t in enumerate(told) if t is not None]
        if not 0 < len(shown) < FEWEST_ROWS:
            return told
        most = max(shown, key=lambda i: (counts[i], -i))
        # Many of a few patients, hidden for these, are no others to hide among.
        most_hidden = self.rounding.most_hidden
        rows = enumerate(zip(names, counts, strict=True))
        others = sum(
            n for i, (name, n) in rows if i != most and (i in shown or n <= most_hidden or name in self._hidden)
        )
        enough = others + sum(n for n in left_out if n <= most_hidden) > most_hidden
        for i in [i for i in shown if i != most or not enough]:
            told[i] = None
            self.withhold(ALONE)
            if names[i] not in self._hidden:
                self._hidden.add(names[i])
                self._added = True
        return told

    def _single(self, kind: str, group: str, n: int, patients: int | None) -> int | None:
        told = self.rounding.count(self._as_first(kind, group, n))
        if told is None or (patients is not None and self.rounding.count(patients) is None):
            self.withhold(FEW)
            return None
        if self._of_one_patient(kind, n):
            self.withhold(ONE_PATIENT)
            return None
        if abs(self._beside.get((kind, group), math.inf) - n) <= self.rounding.most_hidden:
            self.withhold(ALONE)
            return None
        if group and (kind, group, n) in self._hidden:
            self.withhold(ALONE)
            return None
        return told

    def _as_first(self, kind: str, group: str, n: int) -> int:
        """The count as which one of a group is told: the first that differs by a few at most; a few stay a few."""
        if n <= self.rounding.most_hidden:
            return n
        return next((f for f in self._first.get((kind, group), ()) if abs(f - n) <= self.rounding.most_hidden), n)

    def _apart(self, counts: Sequence[int]) -> list[int]:
        """Those of some counts that differ from each before them by more than a few, and are more than a few."""
        few, kept = self.rounding.most_hidden, list[int]()
        for n in counts:
            if n > few and all(abs(n - k) > few for k in kept):
                kept.append(n)
        return kept

    def _of_one_patient(self, kind: str, n: int) -> bool:
        """Whether more than half of so many could be of one patient."""
        return 100 * self._of_one[kind] > DOMINANCE_PERCENT * n

    def _least(self, kind: str) -> int:
        """The smallest number of which no one patient can have more than half."""
        return math.ceil(100 * self._of_one[kind] / DOMINANCE_PERCENT)


TEETH, FAILURES, PATIENTS, FOLLOWED = "teeth", "failures", "patients", "followed"
FEW = f"a count under {SMALLEST}, or of fewer than {SMALLEST} patients"
ALONE = "a count that would give a hidden one away"
ONE_PATIENT = f"a count of which one patient could be more than {DOMINANCE_PERCENT} %"
ONE_IN_AVERAGES = f"means and shares of a group of which one patient could be more than {AVERAGE_PERCENT} %"


def step_per_100(told: int) -> int | None:
    """The smallest step of percentages worth five of a group whose rounded count is `told`; None where none is."""
    return next((s for s in STEPS_PER_100 if s * fewest_behind(told) >= 100 * STEP), None)


def log_step(failures_told: int) -> float:
    """The smallest step of a logarithm of a ratio worth five failures of the smaller group, told by its rounded count.

    One failure more or less among n moves the logarithm of a rate by about 1/n.
    """
    return next(s for s in LOG_STEPS if s * fewest_behind(failures_told) >= STEP)


def nearest_step(value: float, step: int) -> int:
    """A value per 100 to the nearest step; halves go up."""
    return step * math.floor(value / step + 0.5)


def nearest_log(value: float, step: float) -> float:
    """A logarithm to the nearest step, with no minus before a 0."""
    return round(step * math.floor(value / step + 0.5), 2) + 0.0


def rounded_error(std_error: float, *, step: float, failures_told: int) -> float:
    """A standard error with that of rounding the estimate to `step` added to it, rounded up.

    An error falls with the square root of the failures, so its own steps are worth five failures as well.
    """
    whole = math.sqrt(std_error**2 + step**2 / 12)
    own = next((s for s in ERROR_STEPS if s >= _worth(whole, failures_told)), ERROR_STEPS[-1])
    return round(own * math.ceil(whole / own - _CLOSE), 2)


def is_rounded_error(value: float, *, failures_told: int) -> bool:
    """True for what `rounded_error` may give."""
    return any(
        on_step(value, s) and (s >= _worth(value - s, failures_told) - _CLOSE or s == ERROR_STEPS[-1])
        for s in ERROR_STEPS
    )


def sayable_covariates(given: Iterable[str], known: Iterable[str] = COVARIATES) -> tuple[str, ...]:
    """Characteristics by their known names, any other ones together as one."""
    names = frozenset(known)
    return tuple(dict.fromkeys(c if c in names else OTHER_COVARIATE for c in given))


def nth_letter(index: int) -> str:
    """What stands for a name: A to Z, then AA, AB and so on, from 0."""
    head, tail = divmod(index, len(string.ascii_uppercase))
    return (nth_letter(head - 1) if head else "") + string.ascii_uppercase[tail]


def on_step(value: float, step: float) -> bool:
    """True for a whole multiple of the step."""
    return abs(value / step - round(value / step)) < _CLOSE


def _worth(std_error: float, failures_told: int) -> float:
    """How much five failures more or less move a standard error."""
    return STEP / 2 * std_error / fewest_behind(failures_told)
