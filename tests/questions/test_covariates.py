"""Covariates become columns by rules that need no hand: nothing dropped, nothing too rare, gaps said."""

import itertools
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from pipeline.questions.covariates import (
    Levels,
    Numeric,
    count_covariates,
    design,
    independent,
    merge_covariates,
    strata,
)


def test_levels_with_few_failures_are_pooled():
    # Reference a; b has 6 failures, c 3 and unknown 2: c and unknown share a column.
    level = ["a"] * 20 + ["b"] * 6 + ["c"] * 3 + [None] * 2
    spells = pl.DataFrame({"material": level, "event": [False] * 20 + [True] * 11})
    made = design(spells, [Levels("material", "material")])
    assert made.names == ("material_b", "material_rare")
    assert made.x.sum(axis=0).tolist() == [6, 5]
    assert made.used == ("material",)
    assert [g.sentence for g in made.missing] == ["material: 2 of 31 rows without a value"]


def test_a_pool_that_stays_small_joins_the_reference():
    spells = pl.DataFrame({"sex": ["f"] * 20 + ["m"] * 4, "event": [True] * 24})
    made = design(spells, [Levels("sex", "sex")])
    assert made.names == ()
    assert made.left_out == ("sex (the same in all, or too rare)",)


def test_numbers_stand_per_unit_around_their_mean_with_gaps_marked():
    spells = pl.DataFrame({"age": [40.0, 60.0] + [None] * 5, "event": [True] * 7})
    made = design(spells, [Numeric("age", "age", 10.0)])
    assert made.names == ("age", "age_unknown")
    np.testing.assert_allclose(made.x[:, 0], [-1, 1, 0, 0, 0, 0, 0])
    assert made.x[:, 1].tolist() == [0, 0, 1, 1, 1, 1, 1]


def test_a_field_never_recorded_is_named_and_left_out():
    spells = pl.DataFrame({"smoker": [None, None], "event": [True, False]}, schema_overrides={"smoker": pl.Boolean})
    made = design(spells, [Levels("smoker", "smoking")])
    assert made.left_out == ("smoking (not recorded)",)
    assert made.x.shape == (2, 0)


def test_clinicians_with_few_failures_share_a_stratum():
    spells = pl.DataFrame({"provider_id": ["a"] * 6 + ["b"] * 4 + [None], "event": [True] * 11})
    codes, n = strata(spells, "provider_id", min_failures=5)
    assert n == 2
    assert len(set(codes[:6])) == 1
    assert len(set(codes[6:])) == 1


def test_numbered_words_and_flags_become_the_columns_of_their_texts():
    rng = np.random.default_rng(1)
    words = rng.choice(["a", "b", "c", "unknown", None], 300).tolist()
    flags = rng.choice([True, False, None], 300).tolist()
    plain = pl.DataFrame({"w": words, "f": flags, "event": rng.random(300) < 0.4})
    numbered = plain.with_columns(pl.col("w").cast(pl.Enum(["a", "b", "c", "d", "unknown"])))
    as_text = plain.with_columns(pl.col("f").cast(pl.String))
    asked = [Levels("w", "word"), Levels("f", "flag")]
    told, *others = (design(frame, asked) for frame in (as_text, plain, numbered))
    assert len(told.names) == 5
    for other in others:
        assert (other.names, other.missing) == (told.names, told.missing)
        assert (other.x == told.x).all()
    codes, n = strata(numbered, "w", min_failures=20)
    assert (codes == strata(plain, "w", min_failures=20)[0]).all()
    assert n == len(set(codes))


def test_the_names_of_levels_that_tie_move_no_column_of_figures():
    """Each case is counts of rows and failures by level; renaming may reorder columns, and changes nothing else."""
    cases = {
        # two tie for the commonest; a rare one must join somewhere: the next that stands alone
        "joins the third": ({"a": (20, 8), "b": (20, 8), "c": (12, 6), "d": (3, 2)}, [{"c", "d"}]),
        # no other stands alone: the two and the rare one are the reference together
        "all together": ({"a": (20, 8), "b": (20, 8), "d": (3, 2)}, []),
        # as many rows, but more failures: b is the reference, and d joins it
        "failures decide": ({"a": (20, 8), "b": (20, 9), "d": (3, 2)}, [{"a"}]),
        # the commonest ones are rare themselves
        "rare and common": ({"a": (20, 4), "b": (20, 4), "c": (12, 6)}, [{"c"}]),
        # a pool that is large enough needs no home
        "a pool": ({"a": (20, 8), "b": (20, 8), "d": (3, 3), "e": (3, 3)}, [{"d", "e"}]),
    }
    for counts, groups in cases.values():
        rows = [(level, i < failed) for level, (n, failed) in counts.items() for i in range(n)]
        spells = pl.DataFrame(rows, schema=["provider_id", "event"], orient="row")
        made = design(spells, [Levels("provider_id", "clinician")])
        columns = [set(spells["provider_id"].filter(pl.Series(made.x[:, i] > 0))) for i in range(made.x.shape[1])]
        for group in groups:
            assert group in columns
        if not groups:
            assert columns == []
        outcome = spells["event"].to_numpy()
        for order in itertools.permutations(counts):
            new = dict(zip(counts, order, strict=True))
            again = design(
                spells.with_columns(pl.col("provider_id").replace_strict(new)), [Levels("provider_id", "clinician")]
            )
            assert fitted(again.x, outcome) == pytest.approx(fitted(made.x, outcome), abs=1e-9)


def fitted(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Least-squares fit with an intercept: the same for two sets of columns if they say the same of the rows."""
    full = np.column_stack([np.ones(len(y)), x])
    return full @ np.linalg.lstsq(full, y.astype(float), rcond=None)[0]


def spells_with(columns: dict[str, list[object]], n: int) -> pl.DataFrame:
    return pl.DataFrame({"event": [i % 5 < 2 for i in range(n)], **columns})


def test_a_column_that_follows_from_others_is_left_out_and_named() -> None:
    n = 240
    kind = ["initial", "retreatment", "initial"] * 80
    pulp = ["necrosis" if k == "initial" else "previously_treated" for k in kind]
    sex = [["f", "m", None, "f"][i % 4] for i in range(n)]
    spells = spells_with({"kind": kind, "pulp": pulp, "sex": sex, "age": [float(i) for i in range(n)]}, n)
    covariates = [Levels("kind", "kind"), Levels("pulp", "pulp"), Levels("sex", "sex"), Numeric("age", "age", 10.0)]
    made = design(spells, covariates)
    assert made.of == ("kind", "pulp", "sex", "sex", "age")
    found = independent(made, np.zeros((n, 0)))
    assert found.used == ("kind", "sex", "age")
    assert found.left_out == ("pulp (it follows from the others)",)
    earlier = independent(replace(made, left_out=("post",)), np.zeros((n, 0)))
    assert earlier.left_out == ("post", *found.left_out)
    assert found.of == ("kind", "sex", "sex", "age")
    assert np.array_equal(found.x, made.x[:, [0, 2, 3, 4]])
    # What a group says already is no covariate of it; one new column of several keeps its covariate.
    of_group = independent(made, made.x[:, :1])
    assert of_group.used == ("sex", "age")
    part = independent(made, made.x[:, 2:3])
    assert part.of == ("kind", "sex", "age")
    assert "sex" in part.used


def test_two_fields_empty_in_the_same_rows_are_one_column() -> None:
    n = 240
    gap = [i % 4 == 0 for i in range(n)]
    columns = {name: [None if g else ("a", "b")[i % 3 == k] for i, g in enumerate(gap)]
               for k, name in enumerate(("one", "two"))}  # fmt: skip
    made = design(spells_with(columns, n), [Levels("one", "one"), Levels("two", "two")])
    assert {"one_unknown", "two_unknown"} <= set(made.names)
    found = independent(made, np.zeros((n, 0)))
    assert set(made.names) - set(found.names) == {"two_unknown"}
    assert found.used == ("one", "two")


def test_columns_that_only_lie_near_one_another_are_kept() -> None:
    n = 2000
    line = np.arange(n, dtype=float)
    near = np.where(line == 7, 1.0, 0.0)
    spells = spells_with({"a": list(line + 1e6), "b": list(near + 0.0)}, n)
    made = design(spells, [Numeric("a", "a", 1.0), Numeric("b", "b", 1.0)])
    assert independent(made, np.ones((n, 1)) * line[:, None] % 2) is made


def test_rows_and_failures_are_counted_by_level_and_added_up():
    rows = pl.DataFrame(
        {
            "age": [40.0, 60.0, 50.0, None, None, 80.0],
            "smoker": [True, False, True, True, False, True],
            "sex": ["f", "m", None, "f", "f", "m"],
            "event": [True, True, False, True, False, False],
        }
    )
    asked = [Numeric("age", "age", 10.0), Levels("smoker", "smoking"), Levels("sex", "sex")]
    wanted = {
        ("age", ""): (4, 2, 57.5, 40, 80),
        ("age", None): (2, 1, None, None, None),
        ("smoker", "false"): (2, 1, None, None, None),
        ("smoker", "true"): (4, 2, None, None, None),
        ("sex", "f"): (3, 2, None, None, None),
        ("sex", "m"): (2, 1, None, None, None),
        ("sex", None): (1, 0, None, None, None),
    }
    counts = count_covariates(rows, asked)
    assert {(c, level): tuple(rest) for c, level, *rest in counts.rows()} == wanted
    # Three parts, one of which has no age and one only smokers.
    parts = [count_covariates(rows[part], asked) for part in ([0, 2], [3, 4], [1, 5])]
    assert {(c, level): tuple(rest) for c, level, *rest in merge_covariates(parts).rows()} == wanted


@pytest.mark.parametrize(("failed", "names"), [(4, ("age",)), (5, ("age", "age_unknown"))])
def test_a_gap_has_a_mark_of_its_own_from_five_failures_on(failed, names):
    spells = pl.DataFrame({"age": [40.0, 60.0] * 5 + [None] * 6, "event": [True] * 10 + [i < failed for i in range(6)]})
    made = design(spells, [Numeric("age", "age", 10.0)])
    assert made.names == names
    assert [g.sentence for g in made.missing] == ["age: 6 of 16 rows without a value"]
    # A gap stands at the mean.
    assert made.x[10:, 0].tolist() == [0] * 6


@pytest.mark.parametrize(("failed", "n"), [(4, 1), (5, 2)])
def test_a_stratum_takes_as_many_failures_as_are_asked_for(failed, n):
    spells = pl.DataFrame({"provider_id": ["a"] * 6 + ["b"] * 4, "event": [i < failed for i in range(10)]})
    codes, found = strata(spells, "provider_id", min_failures=5)
    assert (found, len(set(codes.tolist()))) == (n, n)
