"""Numbers instead of texts: in the order of the texts, alike in all tables, and without any change of an answer."""

from dataclasses import asdict

import numpy as np
import polars as pl
import pytest
from technique_practice import draw

from pipeline.questions.analysis import Analysis
from pipeline.questions.covariates import Levels, Numeric, numbered_words
from pipeline.questions.techniques.engine import answer_all
from pipeline.questions.techniques.question import TOOTH_LOSS, Question, same
from pipeline.questions.techniques.rows import in_order, only_columns, same_numbers, words_of

DAM = Question(
    id="dam",
    title="Dam",
    unit="course",
    factor="dam",
    outcomes=(TOOTH_LOSS,),
    adjust=(Numeric("age", "age", 10.0), Levels("sex", "sex"), Levels("tooth_group", "tooth group")),
    why_adjust="",
    needs=("endo_details.dam",),
    reference="no",
    levels=same(("yes", "Yes"), ("no", "No")),
)


def test_texts_of_several_tables_are_numbered_in_their_common_order():
    tables = {
        "one": pl.DataFrame({"patient_id": ["c", "a", "c"]}),
        "other": pl.DataFrame({"patient_id": ["b", None]}),
    }
    found = same_numbers(tables, "patient_id")
    assert found["one"]["patient_id"].to_list() == [2, 0, 2]
    assert found["other"]["patient_id"].to_list() == [1, None]
    assert same_numbers(found, "patient_id")["one"].equals(found["one"])


@pytest.mark.parametrize("ids", [["C2", "C1", "C9"], ["C1", "C2", "C9"], ["C1", "C1", "C9"]])
def test_one_table_is_numbered_by_the_order_of_its_texts(ids):
    found = same_numbers({"crowns": pl.DataFrame({"crown_id": ids})}, "crown_id")["crowns"]["crown_id"]
    assert found.to_list() == [sorted(set(ids)).index(i) for i in ids]


@pytest.mark.parametrize("numbered", [False, True])
def test_words_are_read_without_blanks_and_in_lower_case(numbered):
    rows = pl.DataFrame({"way": [" Hand", "hand ", "Rotary", None, ""]})
    values = (numbered_words(rows, ["way"]) if numbered else rows)["way"]
    assert (values.dtype == pl.String) is not numbered
    assert words_of(values).to_list() == ["hand", "hand", "rotary", None, ""]
    assert words_of(values, {"hand": "by_hand"}).to_list() == ["by_hand", "by_hand", None, None, None]


@pytest.mark.parametrize("row_id", [["a", "b", "a"], [0, 1, 0], [1, 2, 0]])
def test_rows_stand_in_order_of_id_and_entry(row_id):
    rows = pl.DataFrame({"row_id": row_id, "entry_days": [5, 0, 2]})
    assert in_order(rows).equals(rows.sort("row_id", "entry_days"))


def test_numbers_for_texts_change_no_answer():
    rng = np.random.default_rng(4)
    dam = rng.choice(["yes", "no", "No "], 4000)
    rows = draw(rng, 4000, {"dam": dam}, log_hazard=0.4 * (dam == "yes"))
    lean = only_columns(rows, ["dam", "age", "sex", "tooth_group"])
    for column in ("patient_id", "row_id"):
        lean = same_numbers({"rows": lean}, column)["rows"]
    lean = numbered_words(lean, ["dam", "sex", "tooth_group", "provider_id"])
    (told,), (asked,) = (answer_all([DAM], {("course", TOOTH_LOSS): f}, Analysis()).answers for f in (rows, lean))
    assert told.adjusted_for == ("age", "sex", "tooth group")
    assert asdict(told) == asdict(asked)
