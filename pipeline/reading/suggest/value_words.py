"""Words that stand in a column of a field, in seven languages, and which of our words each means.

From memory: common practice, no source. A word that may mean two things, such as a single letter, is not here.
"""

from __future__ import annotations

from functools import cache

from pipeline.practice.fields import FLAG_WORDS, is_open, kind, normal_word, word_lookup

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
    "difficulty": {
        "low": "low|easy|minimal|simple|leicht|facile",
        "moderate": "moderate|medium|average|mittel|moyenne",
        "high": "high|hard|difficult|severe|schwer|difficile",
    },
    "pulpal_diagnosis": {
        "normal": "normal pulp|healthy|gesund|klinisch gesund|saine|pulpe saine|sana|pulpa normal|gezond|saudável",
        "reversible_pulpitis": (
            "pulpitis reversible|rev pulpitis|reversible|hyperemia|hyperaemia|pulpite réversible|pulpite reversible|"
            "reversibele pulpitis|pulpite reversível|pulpite reversibile"
        ),
        "symptomatic_irreversible_pulpitis": (
            "sip|irreversible pulpitis symptomatic|symptomatische irreversible pulpitis|"
            "pulpite irréversible symptomatique|pulpitis irreversible sintomática|"
            "symptomatische irreversibele pulpitis|pulpite irreversível sintomática|pulpite irreversibile sintomatica"
        ),
        "asymptomatic_irreversible_pulpitis": (
            "aip|irreversible pulpitis asymptomatic|asymptomatische irreversible pulpitis|"
            "pulpite irréversible asymptomatique|pulpitis irreversible asintomática|"
            "asymptomatische irreversibele pulpitis|pulpite irreversível assintomática|"
            "pulpite irreversibile asintomatica"
        ),
        "irreversible_pulpitis": (
            "pulpitis irreversible|irrev pulpitis|irreversible|pulpite irréversible|irreversibele pulpitis|"
            "pulpite irreversível|pulpite irreversibile"
        ),
        "necrosis": (
            "necrotic|pulp necrosis|pulpal necrosis|necrotic pulp|nonvital|non vital|devital|nekrose|pulpanekrose|"
            "nekrotisch|gangrän|gangraen|gangrene|nécrose|nécrose pulpaire|necrosis pulpar|necrose|pulpanecrose|"
            "necrose pulpar|necrosi|necrosi pulpare"
        ),
        "previously_treated": (
            "rct|root canal treated|root filled|endo treated|wurzelgefüllt|wurzelbehandelt|déjà traitée|dépulpée|"
            "previamente tratada|endodonciada|eerder behandeld|previamente tratado|già trattato"
        ),
        "previously_initiated": (
            "previously initiated therapy|therapy initiated|anbehandelt|begonnene behandlung|traitement commencé|"
            "previamente iniciada|eerder begonnen|tratamento iniciado|trattamento iniziato"
        ),
    },
    "apical_diagnosis": {
        "normal": (
            "normal apical tissues|normal apical tissue|unauffällig|sain|tissus sains|sano|tejidos normales|"
            "normaal|tecidos normais|tessuti normali"
        ),
        "symptomatic_apical_periodontitis": (
            "sap|symptomatische apikale parodontitis|parodontite apicale symptomatique|"
            "periodontitis apical sintomática|symptomatische apicale parodontitis|periodontite apical sintomática|"
            "parodontite apicale sintomatica"
        ),
        "asymptomatic_apical_periodontitis": (
            "asymptomatische apikale parodontitis|parodontite apicale asymptomatique|"
            "periodontitis apical asintomática|asymptomatische apicale parodontitis|"
            "periodontite apical assintomática|parodontite apicale asintomatica"
        ),
        "apical_periodontitis": (
            "periapical lesion|apikale parodontitis|parodontite apicale|periodontitis apical|apicale parodontitis|"
            "periodontite apical"
        ),
        "acute_apical_abscess": (
            "acute abscess|akuter apikaler abszess|akuter abszess|abcès apical aigu|abcès aigu|"
            "absceso apical agudo|absceso agudo|acuut apicaal abces|abscesso apical agudo|ascesso apicale acuto"
        ),
        "chronic_apical_abscess": (
            "chronic abscess|sinus tract|fistula|fistel|chronischer apikaler abszess|chronischer abszess|"
            "abcès apical chronique|abcès chronique|fistule|absceso apical crónico|absceso crónico|"
            "chronisch apicaal abces|abscesso apical crônico|ascesso apicale cronico|fistola"
        ),
        "condensing_osteitis": (
            "kondensierende ostitis|ostéite condensante|osteítis condensante|condenserende osteïtis|"
            "osteíte condensante|osteite condensante"
        ),
    },
    "core": {
        "composite": "resin composite|composite resin|komposit|composiet|compuesto|resina composta|composito",
        "amalgam": "alloy|amalgame|amalgama|amalgaam",
        "glass_ionomer": "gi|gic|glasionomer|cvi|ionómero|ionómero de vidrio|glasionomeer|ionómero de vidro",
        "resin_modified_glass_ionomer": "rmgi|rmgic|resin modified gi|kunststoffmodifizierter glasionomer|cvimar",
        "cast": "cast core|cast post and core|gegossen|gussaufbau|coulé|inlay core|colado|gegoten|fundido|fuso",
        "none": "no core|keine|kein|aucun|ninguno|geen|nenhum|nessuno",
    },
    "post": {
        "none": "no post|keine|kein|aucun|ninguno|geen|nenhum|nessuno",
        "fiber": (
            "fibre|fiber post|fibre post|glass fiber|glass fibre|glasfaser|glasfaserstift|faserstift|fibré|"
            "tenon fibré|fibra|fibra de vidrio|glasvezel|vezelstift|fibra di vetro"
        ),
        "cast": "cast post|cast post and core|gegossen|gegossener stift|coulé|inlay core|colado|gegoten|fundido|fuso",
        "prefabricated_metal": (
            "metal|metal post|titanium|titan|titanstift|metallstift|stainless steel|steel|screw post|schraube|"
            "tenon métallique|poste metálico|metalen stift|pino metálico|perno metallico"
        ),
    },
    "cement": {
        "glass_ionomer": "gi|gic|glasionomer|glasionomerzement|cvi|ionómero|ionómero de vidrio|glasionomeer",
        "resin_modified_glass_ionomer": "rmgi|rmgic|resin modified gi|cvimar|kunststoffmodifizierter glasionomer",
        "resin": "resin cement|adhesive|composite cement|adhäsiv|kompositzement|colle|résine|resina|composietcement",
        "zinc_phosphate": "zinc phosphate cement|zinkphosphat|phosphatzement|phosphate de zinc|fosfato de zinc",
        "polycarboxylate": "carboxylate|carboxylat|carboxylatzement|polycarboxylat|policarboxilato",
        "zinc_oxide_eugenol": "zoe|zinkoxid eugenol|oxyde de zinc eugénol|óxido de zinc eugenol",
    },
}


# Short words of the trade that mean this beside a heading of the field, and may mean another thing elsewhere. A word
# that stands with two of ours here is asked, unless another word of the column is the one of them.
_TRADE: dict[str, dict[str, str]] = {
    "status": {
        "completed": "c|comp|cmp|ok|fin|p|t",
        "planned": "p|pl|pln|txp|t|tpl|treatment planned|treatment plan|tx plan|proposed",  # or posted, treated
        "existing": "e|ex|exist|eother|x",
        "void": "v|del|can|cxl|cancel|c|x",
    },
    "reason": {
        "endodontic": "rct|endo fail|endo failure|abscess|apical|pap|necrosis",
        "periodontal": "gum|gums|gum disease|perio|mobile|mobility|loose|bone loss",
        "fracture": "crack|cracked tooth|fx|frac|vrf|root fracture|vertical root fracture|split tooth",
        "caries": "decay|rot|cavity|non restorable|nonrestorable|unrestorable",
        "orthodontic": "ortho|braces|crowding",
        "trauma": "injury|accident|fall|sports|avulsion",
        "other": "misc|miscellaneous|wisdom|third molar|impacted|oth",
    },
    "material": {
        "metal": "fgc|fcc|cast|gld|met|mc|gc",
        "metal_ceramic": "pfm|pbm|pfg|vmk|mc",
        "zirconia": "zr|zir|zrc|zi|zro2|fcz",
        "glass_ceramic": "glc|gc|lds|lidi|lisi",
        "resin": "res|rsn|comp|cmp|acr|acrylic",
        "other": "oth|misc",
    },
    "margin": {
        "chamfer": "ch|cham|chm|chf|c",
        "shoulder": "sh|sho|shld|shoul|s|butt",
        "knife_edge": "kn|ke|knife|kedge|fe|feather|k",
        "other": "oth|misc|o",
    },
    "pulp_status_at_prep": {
        "normal": "n|h|nl|wnl|norm|v",
        "hyperemic": "h|r|hyp|hyper|hyperem|rev",
        "necrotic": "n|x|nec|necr|nv|nonvital|dead",
        "root_filled": "r|rc|rctx|endo|filled|treated",
        "unknown": "u|unk|x",
    },
    "event": {
        "root_canal": "rct|rc|endo|root canal treatment",
        "retreatment": "retx|retreat|rerct|re rct|redo endo",
        "surgery": "apico|apicoectomy|apicectomy|surg",
        "crown": "crn|cr|crowned",
        "crown_removed": "crown off|cr off|cr|out",
        "extraction": "ext|exo|xt|extr|extracted|pulled|out",
        "nothing": "no|none|nil",
    },
    "instrumentation": {
        "hand": "h|hnd|k files",
        "rotary_sequence": "rot|rs|seq|rotary seq",
        "rotary_single_file": "rsf|single",
        "reciprocating": "rec|rcp|recipro",
        "hybrid": "h|hyb|mix|mixed",
    },
    "obturation": {
        "cold_lateral": "cl|lc|clc|lat",
        "warm_vertical": "wv|wvc|vert|cwt",
        "single_cone": "sc|single|cone",
        "carrier": "ca|carr|core carrier",
    },
}


@cache
def trade_words(table: str, field: str) -> dict[str, tuple[str, ...]]:
    """Short words of the trade, in the form of `normal_word`, to those of our words that they may mean."""
    if kind(table, field) != "words":
        return {}
    found: dict[str, tuple[str, ...]] = {}
    for ours, theirs in _TRADE.get(field, {}).items():
        for word in theirs.split("|"):
            found[normal_word(word)] = (*found.get(normal_word(word), ()), ours)
    return found


@cache
def known_words(table: str, field: str) -> dict[str, str]:
    """Words in the form of `normal_word` to our word; for a flag to `yes` or `no`; empty for plain text."""
    if kind(table, field) == "flag":
        flags = {word: "yes" if value else "no" for word, value in FLAG_WORDS.items()}
        return {**_spelled(_YES, "yes"), **_spelled(_NO, "no"), **flags}
    if kind(table, field) != "words" and not is_open(table, field):
        return {}
    found: dict[str, str] = {}
    for ours, theirs in _WORDS.get(field, {}).items():
        found |= _spelled(theirs, ours)
    return found | word_lookup(table, field)


def _spelled(words: str, ours: str) -> dict[str, str]:
    return {normal_word(word): ours for word in words.split("|")}
