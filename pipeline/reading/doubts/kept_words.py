"""Headings of columns that no field takes and that yet tell what a row means.

English, German, French, Spanish, Dutch, Portuguese, Italian; from memory: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.reading.headings import plain_heading

_WORDS = {
    "first_name": "first name|firstname|first|given name|vorname|prenom|nombre|voornaam|nome proprio",
    "name": (
        "patient|client|"
        "patient name|pat name|name|full name|last name|lastname|last|surname|family name|nachname|familienname|"
        "patientenname|nom|nom patient|nom du patient|apellido|apellidos|achternaam|naam|sobrenome|nome|cognome|"
        "patient last name|client name"
    ),
    "account": (
        "account|account no|account number|account id|account num|acct|acct no|acct number|acct id|acct num|acct nr|"
        "acc|acc no|guarantor|guarantor id|guarantor no|family|family id|family no|family number|household|konto|"
        "kontonummer|compte|no compte|cuenta|rekening|conto"
    ),
    "born": "dob|birth date|birthdate|date of birth|born|geburtsdatum|geb datum|date de naissance|fecha de nacimiento",
    "age": "age|pt age|patient age|age at visit|age on date|alter|age du patient|edad|leeftijd|eta|idade",
    "dependant": (
        "dependent|dependant|dep|dep no|dependent no|dependant no|dependent number|dependant number|dep code|dep id|"
        "member|member no|family member|family seq|fam seq|family position|person|person no|person code|suffix|"
        "relation no|angehoeriger|mitglied|membre|no membre|ayant droit|rang|miembro|gezinslid|membro|dependente"
    ),
    "merged": (
        "merged into|merged to|merged with|merge into|merge to|merged|mergedinto|merged id|merged into id|merge id|"
        "merged patient|duplicate of|dup of|duplicate|moved to|replaced by|replaced by id|superseded by|surviving id|"
        "survivor|survivor id|new id|new chart|new number|new patient id|now chart|see chart|combined into|linked to|"
        "zusammengefuehrt mit|zusammengefuehrt in|dublette von|doppelt mit|neue nummer|ersetzt durch|fusionne avec|"
        "fusionne dans|doublon de|remplace par|fusionado con|fusionado en|duplicado de|reemplazado por|"
        "samengevoegd met|dubbel van|vervangen door|fuso con|unito a|duplicato di|sostituito da|mesclado com|"
        "substituido por"
    ),
    "quadrant": "quadrant|quad|qd|qdt|q|kwadrant|quadrante|cuadrante|tooth quadrant|zahnquadrant",
    "jaw": (
        "arch|jaw|upper lower|u l|upper or lower|kiefer|ok uk|machoire|arcade|maxilar|arcada|arcata|kaak|mascella|"
        "tooth arch"
    ),
    "side": "side|left right|l r|r l|right left|seite|cote|lado|lato|zijde|kant|tooth side",
    "estimate": (
        "estimate|estimated|est|estimated fee|est fee|estimate amount|est amount|estimated amount|estimated cost|quote|"
        "quoted|quoted fee|quote amount|proposed fee|planned fee|plan fee|tx plan fee|treatment plan fee|"
        "kostenvoranschlag|"
        "voranschlag|geschaetzt|plankosten|hkp|devis|montant devis|presupuesto|presupuestado|importe presupuestado|"
        "begroting|begroot|offerte|preventivo|importo preventivo|orcamento|valor orcado|orcado|kosztorys|kalkulace"
    ),
    "credit": (
        "credit|credits|credit amount|cr|credit amt|haben|gutschrift|gutschriften|avoir|montant credit|credito|abono|"
        "creditering|refund|refunds|refunded|reversal amount"
    ),
}


def headed(headings: Sequence[str], what: str) -> list[str]:
    """The headings of a kind: first_name, name, account, born, age, dependant, merged, quadrant, jaw, side, estimate or
    credit."""
    words = set(_WORDS[what].split("|"))
    return [h for h in headings if plain_heading(h) in words]


_OTHER_WORDS = (
    "account acct guarantor responsible family household head spouse partner parent mother father guardian sibling "
    "referral referred referrer ref subscriber insured holder policy employer emergency contact relative konto "
    "familie partner mutter vater ueberweiser versicherter compte famille conjoint mere pere adresse cuenta familia "
    "madre padre referido rekening gezin moeder vader conta mae pai conto famiglia madre"
)
_OTHERS = frozenset(_OTHER_WORDS.split())


def is_of_others(heading: str) -> bool:
    """Whether a column with the number of another patient names a relative, an account or who referred them."""
    return bool(_OTHERS & set(plain_heading(heading).split()))
