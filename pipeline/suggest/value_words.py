"""Words that stand in a column of a field, in seven languages, and which of our words each means.

From memory: common practice, no source. A word that may mean two things, such as a single letter, is not here.
"""

from __future__ import annotations

from functools import cache

from pipeline.fields import FLAG_WORDS, kind, normal_word, word_lookup

_YES = "ja|oui|si|sí|sim|yes|true|vrai|verdadero|wahr|vero|present|j|x"
_NO = "nein|non|no|não|nao|nee|false|faux|falso|falsch|absent"

_WORDS: dict[str, dict[str, str]] = {
    "status": {
        "completed": (
            "done|complete|compl|finished|completed|fertig|erledigt|abgeschlossen|durchgeführt|erbracht|terminé|"
            "termine|réalisé|realise|effectué|fait|fini|realizado|completado|hecho|terminado|voltooid|uitgevoerd|"
            "gedaan|klaar|concluído|concluido|feito|eseguito|completato|fatto"
        ),
        "planned": (
            "tp|tx plan|treatment plan|proposed|plan|geplant|planung|vorgesehen|prévu|prevu|planifié|planifie|"
            "à faire|devis|planificado|previsto|pendiente|propuesto|gepland|begroot|planejado|planeado|pendente|"
            "pianificato|preventivo"
        ),
        "existing": (
            "eo|ec|existing other|existing|preexisting|vorhanden|bestehend|alio loco|existant|déjà présent|antérieur|"
            "existente|previo|bestaand|aanwezig|pré-existente|esistente|preesistente"
        ),
        "void": (
            "void|voided|deleted|cancelled|canceled|removed|storniert|storno|gelöscht|annulé|annule|supprimé|anulado|"
            "cancelado|eliminado|vervallen|geannuleerd|verwijderd|excluído|annullato|cancellato|stornato"
        ),
    },
    "sex": {
        "female": (
            "f|female|woman|w|weiblich|frau|femme|féminin|mujer|femenino|vrouw|vrouwelijk|feminino|mulher|femmina|"
            "femminile|donna"
        ),
        "male": "m|male|man|männlich|mann|herr|homme|masculin|hombre|masculino|mannelijk|homem|maschio|maschile|uomo",
        "other": "other|divers|d|x|autre|otro|anders|outro|altro|non binary",
    },
    "reason": {
        "endodontic": "endodontic|endo|pulp|endodontisch|pulpitis|endodontique|endodontico|endodôntico",
        "periodontal": (
            "periodontal|perio|parodontal|parodontitis|parodontologie|parodontal disease|periodontaal|parodontale"
        ),
        "fracture": (
            "fracture|fractured|broken|cracked|split|fraktur|frakturiert|bruch|fractura|fractuur|fratura|frattura"
        ),
        "caries": "caries|decay|decayed|karies|carie|cariës|cárie",
        "orthodontic": (
            "orthodontic|ortho|kieferorthopädisch|kfo|orthodontique|ortodoncia|ortodoncico|orthodontisch|ortodontico"
        ),
        "trauma": "trauma|accident|unfall|traumatisme|ongeval|traumatismo",
        "other": "other|sonstige|sonstiges|andere|autre|otro|overig|outro|altro",
    },
    "material": {
        "metal": "metal|gold|fgc|full metal|all metal|fvc|metall|vollguss|or|métal|oro|metaal|goud|ouro|metallo",
        "metal_ceramic": (
            "pfm|porcelain on metal|porcelain fused to metal|metal ceramic|ceramometal|vmk|metallkeramik|"
            "keramisch verblendet|ccm|céramo-métallique|metal cerámica|metaalkeramiek|metalocerâmica|metallo ceramica"
        ),
        "zirconia": "zirconia|zirconium|zir|zrc|zirkon|zirkonoxid|zirkonia|zircone|zirconio|zircónia|zircônia",
        "glass_ceramic": (
            "glass|glass ceramic|lithium disilicate|disilicate|glaskeramik|vitrocéramique|vitrocerámica|glaskeramiek|"
            "vitrocerâmica|vetroceramica|ceramic"
        ),
        "resin": "resin|res|composite|kunststoff|komposit|résine|resina|composiet|kunsthars",
        "other": "other|andere|autre|otro|overig|outro|altro",
    },
    "margin": {
        "chamfer": "chamfer|hohlkehle|congé|chamfer margin|chaflán|chanfro|chanfer",
        "shoulder": "shoulder|stufe|épaulement|epaulement|hombro|schouder|ombro|spalla",
        "knife_edge": (
            "knife edge|feather|feather edge|tangential|lame de couteau|filo de cuchillo|mesrand|lama di coltello"
        ),
        "other": "other|andere|autre|otro|overig|outro|altro",
    },
    "pulp_status_at_prep": {
        "normal": "normal|vital|healthy|gesund|sain|sano|gezond|saudável",
        "hyperemic": "hyperemic|hyperaemic|hyperämisch|hyperémique|hiperémica|reversible pulpitis",
        "necrotic": "necrotic|necrosis|devital|nekrotisch|nécrosée|necrótica|necrotisch",
        "root_filled": (
            "root filled|rf|rct|endo treated|root canal treated|wurzelgefüllt|wurzelbehandelt|dépulpée|endodonciada"
        ),
        "unknown": "unknown|unbekannt|inconnu|desconocido|onbekend|desconhecido|sconosciuto",
    },
    "instrumentation": {
        "hand": "hand|manual|hand files|manuell|manuelle|manuel|manuale",
        "rotary_sequence": "rotary|rotary sequence|rotierend|rotation continue|rotatorio",
        "rotary_single_file": "single file|rotary single file",
        "reciprocating": "reciprocating|recip|reziprok|réciprocité|reciprocante",
    },
    "obturation": {
        "cold_lateral": "cold lateral|lateral|lateral condensation|laterale kondensation|condensation latérale",
        "warm_vertical": "warm vertical|vertical|vertikale kondensation|warm|compactage vertical",
        "single_cone": "single cone|einstift|monocône|cono único",
        "carrier": "carrier|carrier based|trägerstift|tuteur",
    },
    "sealer": {
        "zinc_oxide_eugenol": "zoe|zinc oxide eugenol|zinkoxid eugenol",
        "epoxy_resin": "epoxy|epoxy resin|epoxidharz|résine époxy|resina epoxi",
        "calcium_silicate": "calcium silicate|bioceramic|biokeramik|biocéramique|biocerámico",
        "calcium_hydroxide": "calcium hydroxide|calciumhydroxid",
        "other": "other",
    },
    "orifice_seal": {
        "zinc_oxide_eugenol": "zoe|zinc oxide eugenol",
        "glass_ionomer": "glass ionomer|gi|gic|glasionomer|cvi|ionómero",
        "composite": "composite|resin|komposit",
        "none": "none|no|keine|aucun",
    },
    "separated_instrument": {
        "none": "none|no|keine|nein|aucun",
        "before_cleaning": "before cleaning|before",
        "after_cleaning": "after cleaning|after",
        "removed": "removed|retrieved|entfernt",
    },
}


@cache
def known_words(table: str, field: str) -> dict[str, str]:
    """Words in the form of `normal_word` to our word; for a flag to `yes` or `no`; empty where any text will do."""
    if kind(table, field) == "flag":
        flags = {word: "yes" if value else "no" for word, value in FLAG_WORDS.items()}
        return {**_spelled(_YES, "yes"), **_spelled(_NO, "no"), **flags}
    if kind(table, field) != "words":
        return {}
    found: dict[str, str] = {}
    for ours, theirs in _WORDS.get(field, {}).items():
        found |= _spelled(theirs, ours)
    return found | word_lookup(table, field)


def _spelled(words: str, ours: str) -> dict[str, str]:
    return {normal_word(word): ours for word in words.split("|")}
