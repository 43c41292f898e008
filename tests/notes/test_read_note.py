# ruff: noqa: E501
"""Single sentences of chart notes: what each says and, beside it, the same words that say something else."""

from __future__ import annotations

import datetime as dt

import pytest

from pipeline.notes.conditions import CONDITIONS
from pipeline.notes.read import read_note
from pipeline.notes.vocabulary import _shipped as shipped
from pipeline.notes.vocabulary import vocabulary
from pipeline.practice.fields import NOTE_FIELDS
from pipeline.practice.tables import DETAIL_TABLES

DAY = dt.date(2021, 5, 4)
WORDS = vocabulary()

# Note | field=value of the tooth of the row (36 in ISO 3950), "-" where the note says nothing of that field; "?" unsure.
SAID = """
Irrigated with 5.25% NaOCl.                                  | naocl_percent=5.25
NaOCl 3%, RCT. glas ionomer over the orfices, 1 vist.         | orifice_seal=glass_ionomer naocl_percent=3
RCT. Latteral condensashun, one canl, ruber damm.            | obturation=cold_lateral canals=1 rubber_dam=true
RCT. Completion of the form, content with the infection cleared. | obturation=- sealer=-
RCT, 3+1 canals.                                             | canals=4
RCT, the other two canals were shaped to 30.                 | canals=3
Both canals in his ears are blocked.                         | canals=-
RCT. MB, MB2, DB, P.                                         | canals=4
RCT in the same sitting, obturated.                          | visits=1
RCT VISIT: 1 of 2, obturated.                                | visits=2?
RCT. Root filling ends 1 mm before the apex.                 | length_short_of_apex_mm=1
Film shows the root filling to be 1 mm from the apex.        | length_short_of_apex_mm=1
Tooth extruded 2 mm, repositioned and splinted. RCT later.   | length_short_of_apex_mm=-
Non-surgical retreatment: rubber dam, NaOCl 3%.              | rubber_dam=true
Recall: lesion smaller, scored 2 on the periapical index.    | pai=2
Recall: the crown that you made last year is well adapted.   | crown_in_place=true
Recall: old root canal and crown removed.                    | crown_in_place=-
Recall: he has had no trouble with it.                       | symptomatic=false
Post-op call: no pain after the root canal yesterday.        | symptomatic=-
RCT / hand 40 / 3% NaOCl / US / ZOE sealer                   | instrumentation=hand master_apical_size_iso=40 irrigant_activation=true
Please restore with a fibre post and composite core.         | post=- core=-
Crown prep. Vital. Shoulder. Gold.                           | material=metal
Crown prep, gold or zirconia discussed.                      | material=zirconia?
Veneer prep, chamfer.                                        | margin=-
Extraction: the root tip separated and was removed.          | separated_instrument=removed?
NaOCl 2,5 % throughout the RCT.                              | naocl_percent=2.5
6%naocl                                                      | naocl_percent=6
Irrigated with two and a half percent sodium hypochlorite.   | naocl_percent=2.5
NaOCl 3:1.                                                   | naocl_ratio=3:1
Bleach, three to one.                                        | naocl_ratio=3:1
3:1 dilution of 5.25% hypochlorite.                          | naocl_percent=1.3
NaOCl 5.25% diluted 1:1.                                     | naocl_percent=2.6
One part 5.25% bleach to three parts water.                  | naocl_percent=1.3
Bleach 1:3.                                                  | naocl_ratio=1:3?
Half strength NaOCl (2.6%).                                  | naocl_percent=2.6
1 carp 4% articaine 1:100,000, RCT.                          | naocl_percent=- naocl_ratio=-
17% EDTA and 2% CHX, canals dried.                           | naocl_percent=-
RCT under rubber dam.                                        | rubber_dam=true
No rubber dam, RCT.                                          | rubber_dam=false
Pt declined rubber dam. RCT.                                 | rubber_dam=false
Rubber dam not used, RCT.                                    | rubber_dam=false
Irrigant ultrasonically activated.                           | irrigant_activation=true
Irrigant not activated.                                      | irrigant_activation=false
Irrigated with NaOCl, no ultrasonics.                        | irrigant_activation=false
Recall. Pt denies pain and is without a crown.               | symptomatic=false crown_in_place=false
Recall. No new crown in place.                               | crown_in_place=-
Recall. Pt had some pain after RCT.                          | symptomatic=true?
Recall. Had pain last week, tender.                          | symptomatic=true
RCT, hand files to 25 then rotary.                           | instrumentation=hybrid
Ultrasonic tip used to find MB2.                             | irrigant_activation=-
RCT, file separated in MB after cleaning was complete.       | separated_instrument=after_cleaning
RCT, file separated in MB before the canal was cleaned.      | separated_instrument=before_cleaning
RCT, file separated, retrieved.                              | separated_instrument=removed
RCT, file separated, bypassed.                               | separated_instrument=bypassed
RCT, file separated in MB, could not be bypassed.            | separated_instrument=None?
RCT. No file separated.                                      | separated_instrument=none
Risks reviewed incl. file separation and perforation.        | separated_instrument=-
Her brother had a separated file.                            | separated_instrument=-
Obturated warm vertical, 1 mm short of apex.                 | obturation=warm_vertical length_short_of_apex_mm=1
GP fill 0.5 mm past apex.                                    | length_short_of_apex_mm=-0.5
Fill flush with the radiographic apex.                       | length_short_of_apex_mm=0
Chamfer 1 mm short of the papilla.                           | length_short_of_apex_mm=-
MAF 35/.04, RCT.                                             | master_apical_size_iso=35
RCT, rotary to 30/.06.                                       | master_apical_size_iso=30
RCT, #10 K file to patency.                                  | master_apical_size_iso=-
MAF: MB 30, DB 30, P 45.                                     | master_apical_size_iso=45?
RCT. Will restore, no post needed.                           | post=none
RCT, will need crown, post not decided.                      | post=-
No pain RCT without rubber dam.                              | rubber_dam=false
RCT with hand files only.                                    | instrumentation=hand
#10 hand file glide path, then reciprocating file.           | instrumentation=reciprocating
RCT, hand and rotary.                                        | instrumentation=hybrid
RCT, rotary files.                                           | instrumentation=rotary_sequence?
Dx: SIP/SAP.                                                 | pulpal_diagnosis=symptomatic_irreversible_pulpitis apical_diagnosis=symptomatic_apical_periodontitis
Irreversible pulpitis, symptomatic; normal apical tissues.   | pulpal_diagnosis=symptomatic_irreversible_pulpitis apical_diagnosis=normal
Previously treated / AAP.                                    | pulpal_diagnosis=previously_treated apical_diagnosis=asymptomatic_apical_periodontitis
R/o necrosis.                                                | pulpal_diagnosis=necrosis?
Obturated, epoxy resin sealer; orifices sealed with RMGI.    | sealer=epoxy_resin orifice_seal=glass_ionomer
GP and bioceramic sealer.                                    | sealer=calcium_silicate
CaOH placed as medicament. RCT.                              | sealer=-
Access closed with composite. RCT.                           | orifice_seal=-
RCT done, no orifice barrier.                                | orifice_seal=none
Crown prep, composite core, no post needed.                  | core=composite post=none
Crown prep. No post-op complications expected.               | post=-
Crown prep. Fiber post next visit.                           | post=-
Crown prep, shoulder margin, ferrule 2 mm.                   | margin=shoulder ferrule_mm=2
Crown prep. Pt had shoulder surgery.                         | margin=-
Crown prep, no ferrule.                                      | ferrule_mm=0
Crown prep, pulp hyperemic.                                  | pulp_status_at_prep=hyperemic
Crown prep. Pulp vital. Temp cemented with ZOE.              | pulp_status_at_prep=normal cement=-
Crown prep, tooth had root canal 2010.                       | pulp_status_at_prep=root_filled
PFM crown seated with RMGI cement.                           | material=metal_ceramic cement=resin_modified_glass_ionomer
Old PFM crown removed, prepped for zirconia.                 | material=zirconia
Will need a zirconia crown.                                  | material=-
1 yr recall: asymptomatic, PAI 2, crown in place.            | symptomatic=false pai=2 crown_in_place=true
Recall: no pain, swelling or sinus tract.                    | symptomatic=false
Recall. PAI 4 -> 2.                                          | preop_pai=4 pai=2
RCT. Pre-op PAI 4.                                           | preop_pai=4 pai=-
Recall, PARL noted.                                          | pai=4?
RCT completed in 2 visits, 4 canals.                         | visits=2 canals=4
RCT visit 1 of 2.                                            | visits=2?
RCT, 3 of 4 canals located.                                  | canals=4?
RCT under ruber dam, obturatd warm verticl.                  | rubber_dam=true obturation=warm_vertical
RCT. Dam [x] yes [ ] no. Sealer [ ] ZOE [x] epoxy.           | rubber_dam=true sealer=epoxy_resin
Recall. Symptoms? None. PAI? 3.                              | symptomatic=false pai=3
RCT: five point two five percent sodium hypochlorite.        | naocl_percent=5.25
RCT. NaOCl 1.3% (3:1).                                       | naocl_percent=1.3
Fwd: "we used 6% NaOCl in the canal". Crown prep.            | naocl_percent=6?
RCT not started. 2 visits, dam.                              | visits=2? rubber_dam=true?
File broke, size 25, apical 3rd.                             | rubber_dam=- master_apical_size_iso=-
RCT. Possibly 2 canals.                                      | canals=2?
Caries 1 mm short of the pulp. RCT.                          | length_short_of_apex_mm=-
Bleach 6% avoided. RCT, saline only.                         | naocl_percent=-
Recall. Slight tenderness, otherwise asymptomatic.           | symptomatic=true?
Recall, PAI 2 (was 4 in 2022).                               | pai=2 preop_pai=4?
RCT hx 2009. PAI 4 today. Rec retx.                          | pai=- preop_pai=4?
"""


def cases() -> list[tuple[str, dict[str, str]]]:
    rows = [line.split("|") for line in SAID.strip().splitlines()]
    return [(text.strip(), dict(p.split("=", 1) for p in said.split())) for text, said in rows]


@pytest.mark.parametrize(("text", "said"), cases())
def test_a_sentence_says(text: str, said: dict[str, str]):
    found = {
        v.field: f"{v.value}{'' if v.sure else '?'}" for v in read_note(text, WORDS, notation="fdi", tooth=36, day=DAY)
    }
    assert {name: found.get(name, "-") for name in said} == said


@pytest.mark.parametrize(
    ("text", "notation", "row", "teeth"),
    [
        ("#14 RCT, 4 canals.", "universal", None, {26}),
        ("RCT #3 and #14, both 4 canals.", "universal", None, {16, 26}),
        ("#6-8 RCT, 1 canal each.", "universal", None, {13, 12, 11}),
        ("Teeth 11-13: RCT, one canal.", "fdi", None, {11, 12, 13}),
        ("UR6 RCT, 4 canals.", "palmer", None, {16}),
        ("Upper left first molar RCT, 4 canals.", "universal", None, {26}),
        ("RCT, #10 and #15 K files, 4 canals.", "universal", 36, {36}),
        ("RCT, 4 canals. Clamp #9.", "universal", 36, {36}),
        ("RCT. #18 has caries. 4 canals.", "universal", 36, {36}),
        ("#30: crown seat.\n#19: RCT, 4 canals.", "universal", None, {36}),
        ("RCT, 4 canals.", "universal", None, {None}),
        ("Adjacent #18 sound. RCT, 4 canals.", "universal", 36, {36}),
    ],
)
def test_each_value_has_its_tooth(text: str, notation: str, row: int | None, teeth: set[int | None]):
    found = read_note(text, WORDS, notation=notation, tooth=row, day=DAY)
    assert {v.tooth for v in found if v.field == "canals"} == teeth


def test_the_words_of_a_value_are_those_of_the_text():
    text = "RCT #14 – Irrigated w/ 6% NaOCl; obturatd   warm vertical."
    for v in read_note(text, WORDS, notation="universal", day=DAY):
        assert " ".join(text[v.start : v.end].split()) == v.evidence
    assert {v.evidence for v in read_note(text, WORDS, notation="universal", day=DAY)} == {"6% NaOCl", "warm vertical"}


def test_words_of_the_practice_are_read_as_told():
    own = vocabulary(
        {"instrumentation": {"our red file": "rotary_single_file"}, "sealer": {"Blue stuff": "epoxy_resin"}}
    )
    found = {
        v.field: (v.value, v.sure)
        for v in read_note("RCT with our red file, blue stuff.", own, notation="fdi", tooth=36)
    }
    assert found["instrumentation"] == ("rotary_single_file", True)
    assert found["sealer"] == ("epoxy_resin", True)
    assert not read_note("RCT without our red file.", own, notation="fdi", tooth=36)


@pytest.mark.parametrize(
    "text", ["", " ", "\n\n", "....", "-", "#", "%", "½ ﬁ İ ẞ", "1" * 5000, "no " * 3000, "#" * 2000, "🦷 RCT"]
)
def test_odd_texts_are_no_error(text: str):
    read_note(text, WORDS, notation="universal", tooth=36, day=DAY)


def test_the_vocabulary_names_only_what_there_is():
    for entry, phrase in shipped():
        assert phrase.strip(), entry.rule
        assert entry.needs in CONDITIONS, entry.rule
        if entry.kind == "term" and entry.field != "preop_or_pai":
            column = DETAIL_TABLES[NOTE_FIELDS[entry.field]].columns[entry.field]
            words = column.words or column.usual
            assert not words or entry.value in (*words, ""), entry.rule
