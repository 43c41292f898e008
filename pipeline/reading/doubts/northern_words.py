"""Words for whether a row stands in Swedish, Norwegian, Danish, Finnish, Polish, Czech, Hungarian and Turkish.

Written as `plain_heading` makes them. From memory: common practice, no source.
"""

from __future__ import annotations

from pipeline.reading.suggest.headings import plain_heading

WORDS = {
    "completed": (
        "utfoerd|utfort|avslutad|slutfoerd|fullfort|ferdig|udfort|faerdig|tehty|suoritettu|valmis|wykonane|wykonany|"
        "wykonana|wykonano|zakonczone|zakonczony|provedeno|hotovo|dokonceno|elvegezve|elvegzett|befejezett|befejezve|"
        "kesz|teljesitve|tamamlandi|yapildi|bitti|tamam"
    ),
    "planned": (
        "planerad|planerat|foereslagen|planlagt|foreslatt|suunniteltu|planowane|planowany|planowana|zaplanowane|"
        "zaplanowany|planovano|naplanovano|planovane|tervezett|tervezve|planlandi|planlanan|planli"
    ),
    "existing": "befintlig|eksisterende|olemassa oleva|istniejace|istniejacy|stavajici|existujici|meglevo|mevcut",
    "void": (
        "makulerad|makulerat|raderad|borttagen|annullerad|makulert|slettet|annullert|kansellert|annulleret|makuleret|"
        "poistettu|mitaetoeity|peruttu|usuniete|usuniety|usunieta|usunieto|anulowane|anulowany|anulowana|anulowano|skasowane|"
        "smazano|smazane|zruseno|zrusene|stornovano|toeroelt|toeroelve|sztorno|sztornozott|ervenytelenitve|iptal|"
        "iptal edildi|silindi|silinmis"
    ),
}
ACTIVE = "aktywne|aktywny|voimassa|platne|platny|aktif|gecerli|ervenyes|gyldig|giltig"
YES = frozenset(["evet", "tak", "igen", "kylla", "kyllae", "ano"])
NO = frozenset(["hayir", "nao", "nej", "nei", "nie", "nem", "ei", "ne"])
_WORD_OF = {text: word for word, texts in WORDS.items() for text in texts.split("|")}


def northern_word(text: str) -> str:
    """What a text that stands alone in its cell makes of a row; empty if it is none of these words."""
    return _WORD_OF.get(plain_heading(text), "")
