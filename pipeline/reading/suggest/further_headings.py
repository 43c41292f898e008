"""What columns are called in further languages: Japanese, Chinese, Korean, Russian, Polish, Czech, Swedish, Danish,
Norwegian, Finnish, Hungarian, Turkish and Greek. The words are from memory: common practice, no source.
"""

from __future__ import annotations

NOT_OURS = "(none)"

FURTHER: dict[str, str] = {
    "patient_id": (
        "患者番号|患者id|患者コード|カルテ番号|診察券番号|患者|患者编号|患者號碼|病历号|病歷號|환자번호|차트번호|환자|"
        "номер пациента|пациент|номер карты|карта|pacjent|nr pacjenta|numer pacjenta|numer karty|nr karty|"
        "pacient|cislo pacienta|patientnummer|patientnr|patient nr|journalnr|journalnummer|pasient|pasientnr|"
        "pasientnummer|potilas|potilasnumero|beteg|beteg azonosito|kartonszam|hasta|hasta no|hasta numarasi|dosya no|"
        "ασθενης|αριθμος ασθενη|κωδικος ασθενη"
    ),
    "service_date": (
        "診療日|治療日|施術日|来院日|日付|受診日|就诊日期|治疗日期|日期|就診日期|治療日期|진료일|치료일|날짜|진료일자|"
        "дата|дата лечения|дата приема|дата визита|data|data zabiegu|data wizyty|data leczenia|datum|datum osetreni|"
        "behandlingsdatum|behandlingsdato|dato|paivamaara|pvm|hoitopaiva|datum|kezeles datuma|tarih|islem tarihi|"
        "tedavi tarihi|ημερομηνια"
    ),
    "code": (
        "処置コード|処置|診療コード|コード|処置名|项目代码|治疗代码|代码|项目|處置代碼|代碼|처치코드|진료코드|코드|처치|"
        "код|код услуги|услуга|процедура|kod|kod zabiegu|zabieg|procedura|vykon|kod vykonu|atgard|atgardskod|"
        "ydelse|ydelseskode|kode|behandling|behandlingskode|toimenpide|toimenpidekoodi|koodi|kod|beavatkozas|"
        "beavatkozas kodja|islem|islem kodu|κωδικος|πραξη"
    ),
    "tooth": (
        "歯番|歯番号|歯式|部位|歯|牙位|牙齿|牙号|牙位號|치아|치아번호|치식|зуб|номер зуба|zab|nr zeba|numer zeba|zub|"
        "cislo zubu|tand|tandnr|tandnummer|tann|tannr|tannummer|hammas|hammasnumero|fog|fogszam|dis|dis no|"
        "dis numarasi|δοντι"
    ),
    "surface": "歯面|牙面|치면|поверхность|powierzchnia|ploska|yta|flade|flate|pinta|felszin|yuzey|επιφανεια",
    "provider_id": (
        "担当医|歯科医師|医師|医生|醫師|의사|담당의|врач|доктор|lekarz|dentysta|lekar|zubar|tandlakare|behandlare|"
        "tandlaege|behandler|tannlege|hammaslaakari|orvos|fogorvos|hekim|doktor|ιατρος|οδοντιατρος"
    ),
    "status": "状態|状况|狀態|상태|статус|stan|stav|tila|statusz|allapot|durum|κατασταση",
    "fee": (
        "金額|料金|点数|费用|金额|費用|금액|진료비|сумма|цена|стоимость|kwota|cena|oplata|castka|belopp|pris|avgift|belob|"
        "honorar|honorar belop|hinta|summa|dij|osszeg|ucret|tutar|ποσο|αμοιβη"
    ),
    "birth_date": (
        "生年月日|出生日期|생년월일|дата рождения|data urodzenia|datum narozeni|fodelsedatum|fodselsdato|syntymaaika|"
        "szuletesi datum|dogum tarihi|ημερομηνια γεννησης"
    ),
    "sex": "性別|性别|성별|пол|plec|pohlavi|kon|kjonn|sukupuoli|nem|cinsiyet|φυλο",
    "reason": "理由|原因|이유|причина|powod|przyczyna|duvod|orsak|arsag|syy|ok|neden|αιτια",
    "site_id": "医院|診療所|诊所|門診|의원|клиника|klinika|gabinet|klinik|rendelo|κλινικη",
    NOT_OURS: (
        "患者名|氏名|名前|姓名|이름|환자명|имя|фамилия|фио|nazwisko|imie|jmeno|prijmeni|namn|navn|nimi|nev|ad|soyad|ονομα|"
        "備考|メモ|备注|備註|비고|примечание|uwagi|opis|poznamka|anmarkning|bemaerkning|merknad|huomautus|megjegyzes|"
        "aciklama|not|παρατηρησεις|年齢|年龄|나이|возраст|wiek|電話|电话|전화|телефон|telefon|住所|地址|주소|адрес|adres"
    ),
}
