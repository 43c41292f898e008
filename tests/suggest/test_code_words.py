"""Words beside that of the work, in many languages: the right event or a question, never a wrong event."""

from __future__ import annotations

import pytest

from pipeline.practice.codes import EVENTS
from pipeline.reading.suggest.code_words import _TURNS, likely_events, meaning

SURE = {
    "crown_interim": """
        Krone provisorisch | Provisorische Krone | Langzeitprovisorische Krone | Couronne provisoire
        | Corona provisional | Corona provvisoria | Coroa provisória | Tijdelijke kroon | Noodkroon
        | Provisorisk krona | Tillfällig krona | Midlertidig krone | Korona tymczasowa | Provizorní korunka
        | Geçici kuron | Προσωρινή στεφάνη | Ideiglenes korona | Väliaikainen kruunu | Temporary crown
        | Interim crown
    """,
    "crown_removal": """
        Entfernung einer Krone | Kronenentfernung | Abnahme Krone | Dépose de couronne | Retirada de corona
        | Rimozione corona | Remoção de coroa | Verwijderen kroon | Avlägsnande av krona | Fjerning av krone
        | Aftagning af krone | Zdjęcie korony | Odstranění korunky | Kuron sökümü | Αφαίρεση στεφάνης
        | Korona eltávolítás | Kruunun poisto | Crown removal | Sectioned crown | Usunięcie korony
    """,
    "crown_recement": """
        Krone wiedereingesetzt | Krone wieder eingesetzt | Wiederbefestigung einer Krone
        | Rescellement de couronne | Recollage couronne | Recementado de corona | Ricementazione corona
        | Recimentação de coroa | Herplaatsen kroon | Kroon opnieuw vastzetten | Återcementering av krona
        | Resementering av krone | Recementering af krone | Ponowne osadzenie korony | Znovu nasazení korunky
        | Kuron yeniden yapıştırma | Επανασυγκόλληση στεφάνης | Recement crown | Rebond crown
    """,
    "crown_repair": """
        Kronenreparatur | Reparatur einer Krone | Réparation de couronne | Reparación de corona
        | Riparazione corona | Reparação de coroa | Reparatie kroon | Reparation av krona | Reparasjon av krone
        | Naprawa korony | Oprava korunky | Kuron tamiri | Επισκευή στεφάνης | Crown repair
    """,
    "implant": """
        Krone auf Implantat | Couronne sur implant | Corona sobre implante | Corona su impianto
        | Coroa sobre implante | Kroon op implantaat | Krona på implantat | Krone på implantat
        | Korona na implancie | Korunka na implantátu | İmplant üstü kuron | Στεφάνη σε εμφύτευμα
        | Implant crown | Implantatkrone
    """,
    "restorative_other": """
        Kronenpräparation | Präparation Krone | Préparation couronne | Tallado de corona | Preparazione corona
        | Preparo de coroa | Kroonpreparatie | Crown prep | Preparation av krona | Szlifowanie pod koronę
        | Preparace korunky | Kuron preparasyonu | Παρασκευή στεφάνης
    """,
    "crown_lengthening": """
        Chirurgische Kronenverlängerung | Élongation coronaire | Alargamiento coronario
        | Allungamento di corona clinica | Aumento de coroa clínica | Kroonverlenging | Kronförlängning
        | Kroneforlengelse | Wydłużenie korony | Prodloužení korunky | Kuron boyu uzatma | Επιμήκυνση στεφάνης
        | Crown lengthening
    """,
    "crown_placement": """
        Vollkeramikkrone | Metallkeramikkrone | Goldkrone | Krone, Vollkeramik | Krone | Couronne céramique
        | Couronne céramo-métallique | Corona de circonio | Corona metal-cerámica | Corona in zirconia
        | Corona metallo-ceramica | Coroa de zircónia | Coroa metalo-cerâmica | Zirkonium kroon
        | Porseleinen kroon | Helkeramisk krona | MK-krona | Metallkeramisk krone | Zirkoniakrone
        | Korona pełnoceramiczna | Korona porcelanowa | Celokeramická korunka | Metalokeramická korunka
        | Zirkonyum kuron | Porselen kuron | Ολοκεραμική στεφάνη | Μεταλλοκεραμική στεφάνη | Fémkerámia korona
        | Crown, all ceramic | Zirconia crown | PFM crown | Eingliederung Krone | Crown seat
        | Corona de zirconio | Full gold crown
    """,
    "onlay": """
        Teilkrone Keramik | Teilkrone | Delkrone | Partial crown | Onlay
    """,
    "crown_prefabricated": """
        Stahlkrone | Stainless steel crown | Couronne acier | Corona de acero | Stålkrona
    """,
    "extraction": """
        Extraktion einwurzelig | Extraktion mehrwurzelig | Zahnentfernung | Entfernung eines Zahnes
        | Extraction simple | Extraction chirurgicale | Avulsion d'une dent | Exodoncia simple
        | Exodoncia quirúrgica | Extracción simple | Estrazione semplice | Estrazione chirurgica
        | Extração simples | Exodontia | Extractie | Kies trekken | Tandextraktion | Kirurgisk extraktion
        | Tannekstraksjon | Ekstraktion | Ekstrakcja zęba | Usunięcie zęba | Extrakce zubu
        | Chirurgická extrakce | Diş çekimi | Cerrahi diş çekimi | Εξαγωγή δοντιού | Χειρουργική εξαγωγή
        | Foghúzás | Hampaan poisto | Surgical extraction | FOGELTÁVOLÍTÁS
    """,
    "post_removal": """
        Extraktion Wurzelstift | Entfernung Wurzelstift | Extraction de tenon | Dépose de tenon
        | Extracción de perno | Rimozione perno | Remoção de espigão | Verwijderen wortelstift
        | Usunięcie wkładu | Extraction of post | Post removal
    """,
    "endo_initial": """
        Wurzelfüllung Molar | Wurzelfüllung Frontzahn | Wurzelkanalbehandlung | Traitement canalaire molaire
        | Traitement endodontique prémolaire | Endodoncia molar | Endodoncia unirradicular
        | Endodoncia birradicular | Terapia canalare molare | Trattamento endodontico
        | Tratamento endodôntico molar | Desvitalização | Wortelkanaalbehandeling molaar | Zenuwbehandeling
        | Rotfyllning molar | Rotfylling premolar | Rodbehandling | Leczenie kanałowe
        | Leczenie endodontyczne zęba trzonowego | Endodontické ošetření | Kanal tedavisi büyük azı
        | Kanal tedavisi kesici | Ενδοδοντική θεραπεία | Απονεύρωση | Gyökérkezelés | Juurihoito
        | Root canal molar | Root filling | R.C.T. | Root filled
    """,
    "endo_initial_stage": """
        Provisorische Wurzelfüllung (Einlage)
        | Wurzelkanalaufbereitung | Wurzelfüllung, medikamentöse Einlage | Wurzelbehandlung begonnen
        | Traitement canalaire commencé | Endodoncia: apertura y medicación | Rotbehandling påbörjad
        | Kanal tedavisi başlangıç | Leczenie kanałowe rozpoczęte | Root canal begun | Root canal started
    """,
    "endo_retreatment": """
        Revision Wurzelfüllung | Retraitement endodontique | Retratamiento de conductos | Ritrattamento canalare
        | Retratamento endodôntico | Herbehandeling wortelkanaal | Ponowne leczenie kanałowe
        | Kanal tedavisi yenileme | WB Revision | Retreat RCT molar | Επανάληψη ενδοδοντικής
    """,
    "extraction_primary": """
        Extraktion Milchzahn | Extraction dent de lait | Extraction primary tooth | Süt dişi çekimi
    """,
    "extraction_impacted": """
        Extraktion verlagerter Zahn | Extraction dent incluse | Gömülü diş çekimi | Extraction, impacted tooth
    """,
}
ASKED = """
    Devis couronne céramique | Kostenvoranschlag Krone | HKP Krone
    | Presupuesto corona | Preventivo corona | Orçamento coroa | Begroting kroon | Kostnadsförslag krona
    | Tilbud krone | Overslag krone | Kosztorys korona | Kalkulace korunka | Kuron teklifi | Προσφορά στεφάνη
    | Árajánlat korona | Estimate crown | Planned crown | Kontrolle nach Extraktion | Contrôle après extraction
    | Control tras extracción | Controllo dopo estrazione | Controlo após extração | Controle na extractie
    | Kontroll efter extraktion | Kontroll etter ekstraksjon | Kontrol efter ekstraktion
    | Kontrola po ekstrakcji | Kontrola po extrakci | Çekim sonrası kontrol | Έλεγχος μετά από εξαγωγή
    | Retirada de puntos post exodoncia | Fadenentfernung nach Extraktion | Ablation des fils après extraction
    | Rimozione punti dopo estrazione | Krone Einprobe | Essayage couronne | Prueba de corona | Krone angepasst
    | Krone poliert | Couronne ajustée | Crown adjust | Crown tightened | Crown discussed | Nazorg extractie
    | Sutures after extraction | Extraction of suture | Alte Krone | Krone aufbohren | Primärkrone
    | Ersatzkrone XY | Krone einzementieren provisorisch wieder | Wurzelfüllung entfernt | Crown post
    | Crown warranty | Extraktion abgesagt
"""


def _texts(joined: str) -> list[str]:
    return [text.strip() for text in joined.split("|")]


@pytest.mark.parametrize("event", SURE)
def test_words_beside_make_of_the_work_what_they_say(event: str):
    assert {text: likely_events(text) for text in _texts(SURE[event])} == dict.fromkeys(_texts(SURE[event]), (event,))


def test_estimates_checks_sutures_and_words_that_we_do_not_know_are_asked():
    assert {text: found for text in _texts(ASKED) if len(found := likely_events(text)) == 1} == {}


@pytest.mark.parametrize("word", ["krone", "couronne", "corona", "kroon", "korona", "korunka", "kuron", "extraktion"])
def test_no_unknown_word_beside_one_of_ours_leaves_it_likely(word: str):
    assert all(len(likely_events(f"{word} {other}")) == 2 for other in ("blorp", "vexant", "krüll", "ομφαλ"))


def test_a_code_turns_the_words_beside_it():
    assert meaning("K1", "Krone").events == ("crown_placement",)
    assert meaning("PROV", "Krone").events == ("crown_interim",)
    assert meaning("HKP", "Krone").events == ()
    assert meaning("HKP", "Krone").beside == ("planned",)


def test_what_words_turn_work_into_is_an_event_of_ours():
    turned = {event for turns in _TURNS.values() for events in turns.values() for event in events}
    assert turned | _TURNS.keys() <= EVENTS.keys()


@pytest.mark.parametrize("text", ["Preventivní prohlídka", "Basundersökning", "Eingehende Untersuchung", "Revisión"])
def test_an_examination_is_one_whatever_stands_beside_it(text: str):
    assert likely_events(text) == ("exam",)
