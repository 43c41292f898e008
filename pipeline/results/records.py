"""The records that results stand on, as far as what is shared of them hangs on that."""

from dataclasses import dataclass

NEW, SAME, SET, NEAR, FEW, OFTEN = "new", "same", "set", "near", "few", "often"
# Why figures of an earlier day are shared once more, though records or settings are others.
WHY_KEPT = {
    SET: "the records are the same, and figures under two settings or versions could be held against each other",
    NEAR: "since then fewer than 11 patients changed",
    FEW: "within the year since, something happened to some but fewer than 11 patients, such as a failure",
    OFTEN: "several sets of figures were made within half a year, and more could be held against one another",
}


@dataclass(frozen=True)
class Records:
    """`digest` knows the same records again, under whatever key (empty where nobody made one).

    `rounded_by` is what the rounding of figures made for sharing is drawn by; without it they are rounded by the
    digest. `teeth_of_one` and `failures_of_one` are the most teeth, and failures, that any one patient has among them;
    `patients_by_year` are those of whom something was done in each year.
    """

    digest: str = ""
    teeth_of_one: int = 1
    failures_of_one: int = 1
    rounded_by: str = ""
    patients_by_year: tuple[tuple[int, int], ...] = ()
