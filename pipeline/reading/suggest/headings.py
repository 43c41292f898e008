"""What columns are called: synonyms of each field in seven languages, and how well a heading fits one.

The words are from memory: common practice, no source. English, German, French, Spanish, Dutch, Portuguese, Italian.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from functools import cache, lru_cache

from pipeline.reading.suggest.further_headings import FURTHER, NOT_OURS

__all__ = ["EXACT", "NOT_OURS", "PART", "SHORT", "fit", "plain_heading", "says_entered"]

EXACT, PART, SHORT = 1.0, 0.7, 0.5
# Days on which something was written down: the day of the work only where a file has no other.
_ENTERED = "posted|posted on|posted date|date posted|post date|entry date|entered on|date entered|erfasst am|saisi le"

_SYNONYMS: dict[str, str] = {
    "patient_id": (
        "patient id|patient|patient no|patient number|pat id|pat no|pat nr|patnr|patid|pid|ptid|pt id|pt no|pt|chart|"
        "chart no|chart number|chart id|chart num|account|account no|account number|account id|acct|acct no|"
        "acct number|"
        ""
        "acct id|acct num|acc no|mrn|record no|client|client id|client no|client number|patientennummer|patienten nr|"
        "patientnr|patienten id|patientennr|kartei|karteinummer|kartei nr|fallnummer|numero patient|no patient|"
        "n patient|num patient|num pat|id patient|dossier|no dossier|numero dossier|n dossier|paciente|id paciente|"
        "numero paciente|num paciente|historia|historia clinica|no historia|nhc|expediente|patientnummer|patient nr|"
        "dossiernummer|numero do paciente|cod paciente|codigo paciente|prontuario|paziente|id paziente|"
        "numero paziente|codice paziente|cartella"
    ),
    "service_date": (
        "service date|date of service|dos|date|proc date|procedure date|treatment date|tx date|svc date|visit date|"
        "svc dt|svcdt|svcdate|proc dt|procdt|tx dt|txdt|trt date|trt dt|trtdt|"
        "date done|completed on|completion date|service time|svc time|time of service|done at|done on|performed at|"
        "performed on|completed at|treated at|treated on|treatment time|visit time|timestamp|time stamp|"
        "day|datum|behandlungsdatum|beh datum|leistungsdatum|leist datum|tag|"
        "date de soin|date soin|date des soins|date acte|date de l acte|date traitement|date seance|fecha|"
        "fecha tratamiento|fecha de tratamiento|fecha servicio|fec|behandeldatum|datum behandeling|verrichtingsdatum|"
        "data|data tratamento|data do tratamento|data atendimento|data procedimento|data trattamento|"
        "data prestazione|dt"
    ),
    "code": (
        "code|procedure code|proc code|proc|procedure|service code|treatment code|tx code|ada code|cdt|cdt code|item|"
        "item no|item number|item code|leistung|leistungsnummer|leistungsziffer|ziffer|gebuehrennummer|gebnr|geb nr|"
        "goz|bema|position|pos|leistungscode|acte|code acte|cotation|code ccam|ccam|code soin|codigo|cod|"
        "codigo tratamiento|codigo procedimiento|prestacion|verrichting|verrichtingscode|prestatiecode|prestatie|"
        "codigo procedimento|procedimento|codice|codice prestazione|prestazione|treatment|behandlung|traitement|"
        "tratamiento|tratamento|trattamento"
    ),
    "tooth": (
        "tooth|tooth no|tooth number|tooth num|tth|th|tn|tooth id|site|zahn|zahnnummer|zahn nr|zahnnr|zahnangabe|"
        "dent|no dent|numero dent|num dent|n dent|dents|diente|pieza|pieza dental|no diente|numero diente|num diente|"
        "tand|tandnummer|element|elementnummer|gebitselement|dente|numero dente|num dente|elemento"
    ),
    "surface": (
        "surface|surfaces|surf|srf|faces|face|flaeche|flaechen|zahnflaeche|fl|faces dentaires|superficie|superficies|"
        "caras|cara|vlak|vlakken|superfici|superficie dente"
    ),
    "provider_id": (
        "rendering|rendering dr|rendering dentist|treating|treating dr|seen by|attending|"
        "provider|provider id|prov|prov id|dentist|dentist id|doctor|dr|clinician|operator|performed by|"
        "treating provider|by|therapist|behandler|behandler id|beh|zahnarzt|arzt|praticien|code praticien|prat|"
        "dentiste|operateur|docteur|dentista|odontologo|doctor id|profesional|behandelaar|tandarts|medewerker|"
        "profissional|medico|operatore|medico id|odontoiatra"
    ),
    "status": (
        "status|state|stat|proc status|tx status|treatment status|stand|zustand|statut|etat|estado|situacion|estatus|"
        "toestand|situacao|stato|posted as"
    ),
    "procedure_id": (
        "procedure id|proc id|entry|entry no|entry id|line id|row id|transaction id|trans id|trans no|tran no|"
        "transaction|ledger id|record id|ref|key|guid|uid|buchungsnummer|buchung|leistungs id|lfd nr|lfdnr|eintrag|"
        "id acte|no ligne|num ligne|numero acte|id linea|id tratamiento|num linea|regelnummer|regel id|"
        "boekingsnummer|id linha|id procedimento|lancamento|id riga|numero riga|id prestazione|progressivo"
    ),
    "site_id": (
        "site id|clinic|clinic id|location|office|branch|practice|where|standort|praxis|filiale|klinik|cabinet|lieu|"
        "centre|clinica|centro|sede|consultorio|vestiging|locatie|praktijk|unidade|filial|studio|ambulatorio"
    ),
    "fee": (
        "fee|amount|charge|charges|price|cost|ucr|gross|billed|production|total fee|betrag|honorar|preis|gebuehr|"
        "kosten|montant|prix|honoraires|tarif|importe|precio|monto|honorarios|tarifa|bedrag|prijs|tarief|valor|preco|"
        "importo|prezzo|onorario|tariffa"
    ),
    "reason": (
        "reason|cause|why|indication|reason for extraction|grund|ursache|indikation|motif|raison|motivo|razon|causa|"
        "reden|oorzaak|indicatie|indicacao|indicazione"
    ),
    "birth_date": (
        "birth date|birthdate|date of birth|dob|born|birthday|birth|geburtsdatum|geburtstag|geb datum|gebdat|geboren|"
        "date de naissance|date naissance|ne le|naissance|ddn|fecha de nacimiento|fecha nacimiento|nacimiento|"
        "fec nac|geboortedatum|geboorte|data de nascimento|data nascimento|nascimento|dt nasc|data di nascita|"
        "data nascita|nascita"
    ),
    "birth_year": (
        "birth year|year of birth|yob|geburtsjahr|jahrgang|annee de naissance|annee naissance|ano de nacimiento|"
        "ano nacimiento|geboortejaar|ano de nascimento|ano nascimento|anno di nascita|anno nascita"
    ),
    "sex": "sex|gender|geschlecht|sexe|genre|sexo|genero|geslacht|sesso|genere",
    "first_contact_date": (
        "first contact date|first contact|first visit|first seen|date first visit|first visit date|patient since|"
        "erster besuch|erstkontakt|ersttermin|erstbesuch|premiere visite|premier contact|primera visita|"
        "primer contacto|eerste bezoek|eerste contact|primeira visita|primeira consulta|prima visita"
    ),
    "last_contact_date": (
        "last contact date|last contact|last visit|last seen|date last visit|last visit date|letzter besuch|"
        "letztkontakt|letzter termin|letzter kontakt|derniere visite|dernier contact|ultima visita|ultimo contacto|"
        "laatste bezoek|laatste contact|ultima consulta|ultimo contatto"
    ),
    "deceased_date": (
        "deceased date|date of death|death|died|deceased|dod|sterbedatum|verstorben|todestag|verstorben am|"
        "date de deces|deces|date deces|fecha de fallecimiento|fallecimiento|fecha muerte|defuncion|overlijdensdatum|"
        "overleden|data de obito|obito|data do obito|decesso|data di morte|data decesso"
    ),
    "smoker": (
        "smoker|smokes|smoking|tobacco|raucher|raucht|nikotin|tabagie|fumeur|tabac|fumador|fuma|tabaco|roker|rookt|"
        "roken|fumante|tabagismo|fumatore"
    ),
    "diabetes": "diabetes|diabetic|dm|diabetiker|zucker|diabete|diabetique|diabetico|diabeet",
    "bruxism": (
        "bruxism|grinder|grinds|clencher|bruxer|bruxismus|knirscher|knirscht|bruxisme|bruxismo|rechina|knarsen|bruxista"
    ),
    "pulpal_diagnosis": (
        "pulpal diagnosis|pulp dx|pulpal dx|pulp diagnosis|pulp|pulpadiagnose|diagnose pulpa|diagnostic pulpaire|"
        "diagnostico pulpar|diagnosi pulpare"
    ),
    "apical_diagnosis": (
        "apical diagnosis|apical dx|periapical diagnosis|apex|pa dx|apikale diagnose|diagnose apikal|"
        "diagnostic apical|diagnostic periapical|diagnostico apical|diagnostico periapical|apicale diagnose|"
        "diagnosi apicale|diagnosi periapicale"
    ),
    "preop_pai": (
        "preop pai|pai|pai before|pai preop|initial pai|pai vor|pai pre|pai avant|pai inicial|pai voor|pai iniziale"
    ),
    "canals": (
        "canals|no of canals|number of canals|roots|kanaele|anzahl kanaele|canaux|nb canaux|conductos|kanalen|canais|"
        "canali"
    ),
    "length_short_of_apex_mm": (
        "length short of apex mm|short|short mm|distance to apex|mm short|fill length|abstand apex|distance apex|"
        "distancia apice|afstand apex|distanza apice"
    ),
    "master_apical_size_iso": (
        "master apical size iso|size|apical size|master size|maf|iso size|iso|masterfeile|apikale groesse|"
        "taille apicale|calibre apical|tamano apical|apicale maat|diametro apicale"
    ),
    "instrumentation": (
        "instrumentation|shaping|shaped by|files|technique|aufbereitung|mise en forme|instrumentacion|instrumentacao|"
        "instrumentatie|strumentazione|sagomatura"
    ),
    "naocl_percent": (
        "naocl percent|naocl|hypo|hypochlorite|naocl concentration|bleach|hypochlorit|hypochlorite de sodium|"
        "hipoclorito|ipoclorito"
    ),
    "irrigant_activation": (
        "irrigant activation|activated|activation|aktiviert|aktivierung|active|activado|geactiveerd|ativacao|"
        "attivazione"
    ),
    "obturation": (
        "obturation|filling|filled by|fill technique|wurzelfuellung|fuelltechnik|obturacion|obturacao|vulling|"
        "vultechniek|otturazione"
    ),
    "sealer": (
        "sealer|sealer type|root canal cement|ciment canalaire|cemento sellador|cimento obturador|cemento canalare"
    ),
    "orifice_seal": (
        "orifice seal|orifice|access seal|orifizium|verschluss|bouchon|sellado|afsluiting|selamento|sigillo"
    ),
    "separated_instrument": (
        "separated instrument|separated|broken|broken file|fragment|instrumentenfraktur|instrument casse|"
        "instrumento fracturado|gebroken|instrumento fraturado|strumento fratturato"
    ),
    "rubber_dam": "rubber dam|dam|rd|kofferdam|digue|dique|cofferdam|isolamento|diga",
    "visits": (
        "visits|no of visits|appointments|sitzungen|anzahl sitzungen|seances|nb seances|visitas|citas|sessoes|"
        "zittingen|bezoeken|sedute|visite"
    ),
    "difficulty": (
        "difficulty|case difficulty|difficulty class|schwierigkeit|schwierigkeitsgrad|difficulte|dificultad|"
        "dificuldade|moeilijkheid|difficolta"
    ),
    "prep_date": (
        "prep date|prep|prepared|preparation date|praeparation|praep datum|date preparation|preparation|"
        "fecha preparacion|preparacion|preparatie|preparatiedatum|data preparo|preparo|data preparazione|preparazione"
    ),
    "seat_date": (
        "seat date|seat|seated|cemented|delivery|delivered|insert date|eingesetzt|einsetzen|eingliederung|date pose|"
        "pose|scellement|fecha cementado|cementado|colocacion|plaatsing|plaatsingsdatum|data cimentacao|cimentacao|"
        "data cementazione|cementazione"
    ),
    "material": "material|made of|crown material|werkstoff|materiau|matiere|materiaal|materiale",
    "margin": "margin|finish line|praeparationsgrenze|limite|marge|margen|linea de terminacion|rand|termino|margine",
    "core": (
        "core|build up|buildup|aufbau|faux moignon|inlay core|munon|reconstruccion|opbouw|nucleo|moncone|ricostruzione"
    ),
    "post": "post|stift|tenon|pivot|perno|poste|stiftopbouw|pino",
    "ferrule_mm": "ferrule mm|ferrule|ferrule height|ferrule hoehe|ferula|ferulehoogte|ferule",
    "cement": "cement|luting|luting agent|zement|befestigung|ciment|cemento|cimento",
    "pulp_status_at_prep": (
        "pulp status at prep|pulp|pulp status|pulp at prep|pulpastatus|etat pulpaire|estado pulpar|stato pulpare"
    ),
    "exam_date": (
        "exam date|exam|examined|date|day|recall date|check date|examination date|untersuchungsdatum|untersuchung|"
        "befunddatum|datum|date examen|date controle|fecha examen|fecha control|fecha revision|fecha|controledatum|"
        "onderzoeksdatum|data exame|data controle|data|data esame|data controllo"
    ),
    "pai": "pai|periapical index|pai score|score pai|indice pai",
    "symptomatic": (
        "symptomatic|symptoms|pain|painful|symptome|schmerz|schmerzen|beschwerden|symptomes|douleur|sintomas|dolor|"
        "pijn|klachten|dor|sintomi|dolore"
    ),
    "crown_in_place": (
        "crown in place|crown on|crown present|crown|krone vorhanden|krone|couronne en place|couronne|"
        "corona presente|corona|kroon aanwezig|kroon|coroa presente|coroa"
    ),
    "reader": "reader|read by|befunder|lecteur|lector|lezer|leitor|lettore",
    "reading": "reading|reading no|lesung|lecture|lectura|lezing|leitura|lettura",
    "note_date": "note date|date of note|date|entry date|chart date|visit date",
    "text": "note text|chart note|chart notes|clinical note|clinical notes|progress note|progress notes|narrative|note",
    "field": "field",
    "value": "value",
    "evidence": "evidence",
    "agreed": "agreed",
    "chart_value": "chart value",
    "event": "event|what was done|done elsewhere|ereignis|evenement|evento|gebeurtenis",
    "event_date": "event date|when|date elsewhere|ereignisdatum|date evenement|fecha evento|data evento",
    "event_year": "event year|year|jahr|annee|ano|jaar|anno",
    # Columns that are none of ours, so that their headings are no reason to take them for another field.
    NOT_OURS: (
        "patient name|pat name|name|last name|first name|surname|full name|description|desc|proc desc|note|notes|"
        "comment|comments|age|qty|quantity|units|phone|mobile|email|address|city|zip|postcode|entry date|entered on|"
        "posted|posted on|posted date|date posted|date entered|modified|last modified|created|invoice|invoice no|"
        "invoice date|invoice id|claim|claim no|claim id|insurance|ins|payer|plan|balance|payment|paid|user|"
        "entered by|time|visit id|visit no|appt id|billing provider|nachname|vorname|beschreibung|bezeichnung|"
        "leistungstext|bemerkung|alter|anzahl|telefon|strasse|plz|ort|rechnungsnummer|rechnungsdatum|erfasst am|"
        "kasse|faktor|uhrzeit|nom|prenom|libelle|commentaire|remarque|quantite|adresse|ville|facture|no facture|"
        "date facture|saisi le|date saisie|mutuelle|nombre|apellido|apellidos|descripcion|observaciones|edad|"
        "cantidad|telefono|direccion|factura|num factura|fecha factura|seguro|naam|achternaam|voornaam|omschrijving|"
        "opmerking|leeftijd|aantal|adres|factuur|factuurnummer|factuurdatum|verzekering|nome|sobrenome|descricao|"
        "observacao|idade|quantidade|endereco|fatura|convenio|cognome|descrizione|eta|quantita|indirizzo|fattura|"
        "numero fattura|data fattura|assicurazione|claim status|insurance status|ins status|billing status|bill status|"
        "payment status|invoice status|patient status|recall status|preauth status|lab status|quadrant|quad|arch|area|"
        "side|jaw"
    ),
}


@lru_cache(maxsize=10_000)
def fit(heading: str, field: str) -> float:
    """How well a heading fits a field: `EXACT`, `PART` (a word of it does), `SHORT` (cut short or misspelt) or 0."""
    bare = plain_heading(heading)
    if not bare:
        return 0.0
    synonyms = _synonyms(field)
    if bare in synonyms or bare.replace(" ", "") in _joined(field):
        return EXACT
    words = set(bare.split())
    if any(set(s.split()) <= words for s in synonyms if len(s) > 2):
        return PART
    joined = bare.replace(" ", "")
    if len(joined) >= 3 and any(s.startswith(joined) for s in _joined(field)):
        return SHORT
    if len(joined) >= 4 and _skeleton(joined) in _skeletons(field):
        return SHORT
    return SHORT if len(joined) >= 5 and difflib.get_close_matches(joined, _joined(field), n=1, cutoff=0.87) else 0.0


def says_entered(heading: str) -> bool:
    """Whether a heading says that its day is that of the entry."""
    return plain_heading(heading) in _ENTERED.split("|")


@cache
def _synonyms(field: str) -> frozenset[str]:
    further = (plain_heading(word) for word in FURTHER.get(field, "").split("|") if word)
    return frozenset((*_SYNONYMS[field].split("|"), *further, field.replace("_", " ")))


@cache
def _joined(field: str) -> tuple[str, ...]:
    return tuple(sorted(s.replace(" ", "") for s in _synonyms(field)))


@cache
def _skeletons(field: str) -> frozenset[str]:
    return frozenset(_skeleton(s) for s in _joined(field) if len(s) >= 4)


def _skeleton(word: str) -> str:
    """The first letter and the consonants: how words are often cut short."""
    return word[0] + re.sub(r"[aeiouy]", "", word[1:])


_WRITTEN_OUT = str.maketrans(
    {"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss", "ł": "l", "ø": "o", "æ": "ae", "đ": "d", "ı": "i", "ς": "σ"}
)


def plain_heading(heading: str) -> str:
    """Small letters without accents, umlauts written out, words with single blanks between."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", heading)
    low = spaced.lower().translate(_WRITTEN_OUT)
    plain = "".join(c for c in unicodedata.normalize("NFKD", low) if not unicodedata.combining(c))
    return " ".join(re.sub(r"[\W_]+", " ", plain).split())
