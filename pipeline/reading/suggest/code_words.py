"""What a practice's own code or description is likely to stand for, from words of the trade; else nothing.

A text is likely only where all the words in it that we know say one and the same event, and none says that the work was
not done. Where two events fit, both are named and the practice is asked. English, German, French, Spanish, Dutch; from
memory: common practice, no source.
"""

from __future__ import annotations

import re
import unicodedata

# In this order: a longer expression takes its words from the ones after it, so that a crown for the time being is no
# crown. A word of the table may have a letter or two and a digit behind it in a short code (`CRNC`, `RCTM`, `CMP2`).
_LONG: tuple[tuple[str, str], ...] = (
    (
        "missed_appointment",
        r"no show|no showed|broken app\w*|missed app\w*|cancel\w* app\w*|failed app\w*|ausgefallen\w*",
    ),
    (
        "bookkeeping",
        r"payment|adjustment|discount|write off|insurance check|statement|balance forward|finance charge|"
        r"zahlung|gutschrift|paiement|pago|betaling",
    ),
    (
        "radiograph_3d",
        r"cbct|cone beam|dvt|3d (?:scan|film|x ray)",
    ),
    (
        "radiograph",
        r"x ?rays?|bitewings?|bwx?|periapical (?:film|x ?ray)|panoramic|pano|opg|fmx|radiograph\w*|rontgen\w*|"
        r"roentgen\w*|radiografi\w*|radiographie",
    ),
    (
        "crown_lengthening",
        r"crown lengthening|kronenverlangerung",
    ),
    (
        "implant",
        r"implant (?:crown|abutment|fixture|placement|post)|implants?|implantat\w*",
    ),
    (
        "crown_interim",
        r"(?:temp|temporary|provisional|interim) (?:crown|crn|cr)|"
        r"(?:crown|crn) (?:temp|temporary|provisional)|provisorische krone|couronne provisoire|"
        r"corona provisional|noodkroon",
    ),
    (
        "crown_prefabricated",
        r"(?:stainless(?: steel)?|ss|prefab\w*|strip) (?:crown|crn)|ssc|stahlkrone",
    ),
    (
        "crown_recement",
        r"(?:recement|re cement|rebond|recem)\w*(?: (?:of )?(?:a )?(?:crown|crn|cr))|"
        r"krone (?:wieder )?einsetzen|rescellement couronne",
    ),
    (
        "crown_removal",
        r"(?:remove|removal(?: of)?|section\w*|cut off) (?:a )?(?:crown|crn)|(?:crown|crn) removal|"
        r"krone entfern\w*",
    ),
    (
        "crown_repair",
        r"(?:repair|mend)(?: of)? (?:a )?(?:crown|crn|porcelain)|(?:crown|crn) repair|kronenreparatur",
    ),
    (
        "bridge_pontic",
        r"pontics?|bruckenglied|intermediaire de bridge",
    ),
    (
        "bridge_retainer_crown",
        r"(?:bridge )?(?:retainer|abutment)(?: crown)?|bruckenanker|bridge abutment",
    ),
    (
        "endo_retreatment",
        r"re ?rct|(?:retreat|re treat|retx)\w*(?: (?:of )?(?:rct|root canal|endo))?|"
        r"redo (?:rct|root canal|endo)|(?:rct|root canal|endo) (?:retreat\w*|redo|revision|retx)|"
        r"revision (?:wurzel\w*|endo)|retraitement|retratamiento|herbehandeling",
    ),
    (
        "apical_surgery",
        r"apico\w*|apicect\w*|root end (?:surgery|resection)|wurzelspitzenresektion|wsr|apicoectomia",
    ),
    (
        "root_loss",
        r"root (?:amputation|resection)|hemisection",
    ),
    (
        "pulpotomy",
        r"pulpotom\w*|pulpotomie",
    ),
    (
        "endo_emergency",
        r"pulpectom\w*|pulpal debridement|open (?:and|&) (?:drain|broach)|pulpa extirpation|vitalexstirpation",
    ),
    (
        "vital_pulp",
        r"pulp cap\w*|direct cap|indirect cap|uberkappung|coiffage",
    ),
    (
        "post_removal",
        r"post removal|remove post",
    ),
    (
        "post_core",
        r"(?:cast |fiber |fibre |prefab )?post (?:and|&|n|plus) core|p ?& ?c|stiftaufbau|inlay core|"
        r"(?:cast|fiber|fibre|prefab\w*|screw) post",
    ),
    (
        "core",
        r"(?:crown |core )?build ?ups?|core build ?ups?|core|bu|aufbaufullung|reconstitution|munon|opbouw",
    ),
    (
        "endo_initial",
        r"root canals?(?: (?:treatment|therapy|tx|filling))?|rcts?|endodontic (?:treatment|therapy)|"
        r"wurzelkanalbehandlung|wurzelbehandlung|wurzelfullung|wkb|traitement (?:endodontique|canalaire)|"
        r"endodoncia|wortelkanaalbehandeling|trattamento canalare",
    ),
    (
        "extraction",
        r"(?:surgical |simple )?extractions?|exts?|exo|xt|extrac\w*|tooth removal|zahnentfernung|extraktion|"
        r"extraccion|extractie|estrazione",
    ),
    (
        "perio",
        r"scaling (?:and|&) root planing|root planing|srp|perio maint\w*|deep clean\w*|gum treatment|"
        r"parodont\w*",
    ),
    (
        "recall_hygiene",
        r"(?:adult |child )?proph\w*|clean\w*|hygiene|scale (?:and|&) polish|scaling|zahnreinigung|pzr|"
        r"detartrage|limpieza|gebitsreiniging|tartrectomia",
    ),
    (
        "veneer",
        r"veneers?|facettes?",
    ),
    (
        "onlay",
        r"onlays?",
    ),
    (
        "inlay",
        r"inlays?",
    ),
    (
        "night_guard",
        r"night ?guards?|occlusal guard|bite (?:guard|splint)|aufbissschiene|gouttiere",
    ),
    (
        "direct_restoration",
        r"fillings?|composites?|cmp|amalgams?|resin (?:filling|restoration)|fullung\w*|obturation|obturacion|"
        r"empaste|vulling|otturazione|restoration",
    ),
    (
        "crown_placement",
        r"(?:zirconia|ceramic|porcelain|gold|pfm|metal|full|all ceramic)? ?crowns?|crn|pfm|fgc|kronen?|"
        r"couronnes?|coronas?|kroon|vollkrone",
    ),
    (
        "exam",
        r"exams?|exm|examination|eval\w*|check ?ups?|consult\w*|recall|untersuchung|befund|kontrolle|controle|"
        r"revision oral|visita",
    ),
    (
        "referral",
        r"referr?\w*|uberweisung",
    ),
)
# Work that was not done, or not yet: nothing is proposed beside one of these.
_DENIED = re.compile(
    r"\b(?:no|not|void\w*|plan\w*|tp|txp|proposed|possible|poss|watch|failed|incomplete|cancel\w*|delete\w*|old|existing|"
    r"refus\w*|declin\w*|prep|preparation|impression|try ?in|adjust\w*|warranty|redo|estimate)\b|\?"
)
_STEMS = {  # a short code is a stem with at most two letters and a digit behind it
    "crown_placement": "crn crwn pfm",
    "endo_initial": "rct rctx",
    "endo_retreatment": "rerct retx",
    "extraction": "ext exo xtr",
    "core": "bu bup core",
    "post_core": "pc postc",
    "direct_restoration": "cmp fil fill amal amg resin",
    "exam": "exm exam",
    "recall_hygiene": "prophy hyg clean",
    "radiograph": "bwx bw pano fmx xray",
    "perio": "srp",
    "veneer": "ven",
    "onlay": "onl",
    "inlay": "inl",
    "crown_interim": "tcrn tmpcrn",
    "implant": "impl",
    "apical_surgery": "apico",
}
_SHORT_CODE = re.compile(r"^[a-z]{2,8}\d{0,2}$")


def likely_events(text: str) -> tuple[str, ...]:
    """The events that a code or description may stand for: one, several that contradict each other, or none."""
    plain = _plain(text)
    if re.fullmatch(_LONG[0][1], plain):
        return (_LONG[0][0],)
    if not plain or _DENIED.search(plain):
        return ()
    found: list[str] = []
    left = plain
    for event, pattern in _LONG:
        cut = re.sub(rf"\b(?:{pattern})\b", " ", left)
        if cut != left:
            found.append(event)
            left = cut
    if not found and _SHORT_CODE.match(plain):
        found = _by_stem(plain)
    return tuple(dict.fromkeys(found))


def _by_stem(code: str) -> list[str]:
    bare = code.rstrip("0123456789")
    fits = [
        (len(stem), event)
        for event, stems in _STEMS.items()
        for stem in stems.split()
        if bare.startswith(stem) and len(bare) - len(stem) <= 2 and len(stem) >= 2
    ]
    longest = max((n for n, _ in fits), default=0)
    # A stem of two letters stands for itself alone: BUS is no build-up.
    return [event for n, event in fits if n == longest and (n > 2 or bare == bare[:n])]


def _plain(text: str) -> str:
    """Small letters without accents and signs, words with single blanks between."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text)
    low = unicodedata.normalize("NFKD", spaced.lower().replace("ß", "ss"))
    bare = "".join(c for c in low if not unicodedata.combining(c))
    return " ".join(re.sub(r"[^a-z0-9&?]+", " ", bare).split())
