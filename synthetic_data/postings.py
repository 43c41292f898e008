"""What can stand in a ledger row: the codes with their fees, and the words of the practice's own software."""

import numpy as np

from synthetic_data.courses import Columns
from synthetic_data.hazards import Ints
from synthetic_data.people import GROUP

# Code and fee of 2015. The crown taken off has no number of its own in this system: the practice made one up.
FEES = {
    "D0120": 48,
    "D0150": 85,
    "D0210": 130,
    "D0274": 62,
    "D0140": 75,
    "D1110": 92,
    "D4910": 140,
    "D9951": 85,
    "D2140": 150,
    "D2330": 165,
    "D2391": 175,
    "D2392": 230,
    "D2644": 1010,
    "D2710": 640,
    "D2740": 1230,
    "D2750": 1190,
    "D2752": 1150,
    "D2790": 1210,
    "D2920": 105,
    "D2931": 310,
    "D2980": 180,
    "D2950": 260,
    "D2954": 310,
    "D3220": 205,
    "D3221": 190,
    "D3310": 780,
    "D3320": 900,
    "D3330": 1090,
    "D3346": 920,
    "D3347": 1040,
    "D3348": 1260,
    "D3410": 820,
    "D3421": 890,
    "D3425": 990,
    "D6010": 2050,
    "D6058": 1450,
    "D6240": 1130,
    "D6245": 1210,
    "D6750": 1160,
    "D7111": 110,
    "D7140": 185,
    "D7210": 270,
    "D7240": 420,
    "OFF01": 140,
    "ZQ100": 0,
}
CODES = list(FEES)
CODE = {code: n for n, code in enumerate(CODES)}
CROWN_REMOVED = "OFF01"
UNKNOWN_CODE = "ZQ100"

# Universal notation: nothing, 1 to 32, primary A to T, supernumerary 51 to 82 (a tooth's number and 50).
TEETH_AS_WRITTEN = [None, *map(str, range(1, 33)), *"ABCDEFGHIJKLMNOPQRST", *map(str, range(51, 83))]
NO_TOOTH, FIRST_PRIMARY, FIRST_EXTRA = 0, 33, 53

SURFACES = [None, "O", "MO", "DO", "MOD", "B", "L"]
NOT_NAMED, OCCLUSAL, BUCCAL, LINGUAL = 0, 1, 5, 6
STATUS = {"C": "completed", "TP": "planned", "EO": "existing", "X": "void"}
STATUSES = list(STATUS)
COMPLETED, PLANNED, EXISTING, VOID = range(4)
REASON = {
    "RCT": "endodontic",
    "GUM": "periodontal",
    "CRACK": "fracture",
    "DECAY": "caries",
    "ORTHO": "orthodontic",
    "INJURY": "trauma",
    "MISC": "other",
}
REASONS = [None, *REASON]
# Why teeth are extracted: shares by REASONS, for a root-filled tooth and for the others.
# What stands for each of them as a cause of loss.
LOSS_REASONS = ["unknown", "endodontic", "periodontal", "fracture", "caries", "other", "other", "other"]
REASON_ROOT_FILLED = np.cumsum([0.0, 0.15, 0.15, 0.44, 0.19, 0.0, 0.02, 0.05])
REASON_OTHER = np.cumsum([0.0, 0.02, 0.44, 0.18, 0.26, 0.03, 0.02, 0.05])
REASON_NOT_TOLD = 0.06


def by_group(anterior: str, premolar: str, molar: str, tooth: Ints) -> Ints:
    """The code for each tooth's group, as an index of CODES."""
    return np.asarray(np.array([CODE[anterior], CODE[premolar], CODE[molar]])[GROUP[tooth - 1]])


def crown_code(rng: np.random.Generator, material: Ints, kind: Ints) -> Ints:
    """Code of a crown by its material, or by its kind where it is no single crown.

    One number stands for all ceramics, as in the code list itself.
    """
    first = np.array([CODE[c] for c in ("D2790", "D2750", "D2740", "D2740", "D2710")])[material]
    single = np.where((first == CODE["D2750"]) & (rng.random(material.size) < 0.4), CODE["D2752"], first)
    return np.choose(kind, [single, CODE["D6750"], CODE["D2644"], CODE["D2931"]])


def rows(patient: Ints, day: Ints, code: Ints | int, tooth: Ints | int = NO_TOOTH, **more: Ints | int) -> Columns:
    """Ledger rows: `patient, day, code, tooth, surface, clinician, status, reason`; -1 where there is no clinician.

    `negative` is the day of the row that this one takes back, `filed` the day it was written where that is not its
    own, `free` 1 for a fee of 0. The fee itself is filled in when the ledger is closed.
    """
    values = {"patient": patient, "day": day, "code": code, "tooth": tooth, "clinician": -1, "surface": 0}
    values |= {"status": COMPLETED, "reason": 0, "negative": 0, "filed": 0, "free": 0} | more
    return {name: np.broadcast_to(np.asarray(v, np.int64), patient.shape) for name, v in values.items()}
