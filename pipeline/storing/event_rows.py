"""Which rows of a ledger linking must see one by one: the statements that part them from mere contacts.

Nine rows in ten only say that a patient was seen that day. They are summed up where they lie, and only the telling
ones are handed to `transforms.link`. Which rows those are is decided generously here; the rules themselves stand there.
`linking_ledger` stands for all stored rows, or for those of a sample of the patients.
"""

import polars as pl

# One row per code that matters, and what it may tell; `transforms.link.event_codes` says what each means.
KIND_SCHEMA: dict[str, pl.DataType] = {
    "code": pl.String(),
    "linked": pl.Boolean(),
    "extraction": pl.Boolean(),
    "in_place": pl.Boolean(),
    "lost": pl.Boolean(),
    "crown": pl.Boolean(),
    "filling": pl.Boolean(),
    "exam": pl.Boolean(),
    "no_contact": pl.Boolean(),
}
COLUMNS = (
    *("patient_id", "service_date", "code", "tooth_fdi", "supernumerary", "surface", "provider_id", "status"),
    *("site_id", "fee", "reason", "load_id", "row_number", "part"),
)
TEMPORARY = (
    *("code_kinds", "watched_teeth", "taken_back_codes", "event_rows", "seen_closely"),
    *("rows_seen_closely", "contact_days"),
)

_STANDING = "linking_ledger SEMI JOIN _loads USING (load_id) ANTI JOIN _taken_back USING (load_id, row_number, part)"
_DONE = "status = 'completed' AND service_date IS NOT NULL AND ($until::DATE IS NULL OR service_date <= $until::DATE)"
# A code of which the rules see every row on a tooth.
_CODED = (
    "coalesce(linked AND tooth_fdi IS NOT NULL "
    "AND (status IN ('completed', 'existing') OR (crown AND status = 'planned')), false)"
)
_TOOTH = "patient_id, tooth_fdi, supernumerary"
_SIGN = "in_place OR (lost AND status = 'existing')"
_TELLING_SEEN_CLOSELY = "(SELECT * FROM event_rows SEMI JOIN seen_closely USING (patient_id))"
_ROWS = f"SELECT {', '.join(COLUMNS)} FROM"

# A pass over all rows looks at as few columns as it can; what few patients have is looked up for these alone.
PREPARE = (
    "CREATE TEMP TABLE code_kinds AS SELECT * FROM incoming",
    f"CREATE TEMP TABLE event_rows AS {_ROWS} {_STANDING} JOIN code_kinds USING (code) WHERE {_CODED}",
    f"""
    CREATE TEMP TABLE watched_teeth AS
    SELECT {_TOOTH}, min(service_date) FILTER (WHERE extraction AND status = 'completed') AS extracted,
           bool_or({_SIGN} OR told) AS shown_gone, bool_or(crown AND status = 'completed') AS crowned
    FROM (
        SELECT {_TOOTH}, service_date, status, extraction, in_place, lost, crown, false AS told
        FROM event_rows JOIN code_kinds USING (code)
        UNION ALL BY NAME
        SELECT {_TOOTH}, status: NULL, extraction: false, in_place: false, lost: false, crown: false, told: true
        FROM elsewhere WHERE event = 'extraction'
    )
    GROUP BY ALL
    HAVING extracted IS NOT NULL OR shown_gone OR crowned
    """,  # noqa: S608
    # What names a tooth after its extraction may have to be set aside; what needs a tooth that something shows to be
    # gone says when it was there; a filling on a crown may hint at an opening.
    f"""
    INSERT INTO event_rows {_ROWS} {_STANDING} LEFT JOIN code_kinds USING (code)
    JOIN watched_teeth USING ({_TOOTH})
    WHERE tooth_fdi IS NOT NULL AND status = 'completed' AND NOT {_CODED}
      AND (service_date > extracted OR shown_gone OR (crowned AND coalesce(filling, false)))
    """,
    # A negative fee may take a row back, so all rows of that code stay.
    "CREATE TEMP TABLE taken_back_codes AS SELECT DISTINCT patient_id, code FROM linking_ledger WHERE fee < 0",
    # Patients whose first and last day do not tell enough: whether they were seen here on a day on which something was
    # done elsewhere; between which visits a tooth was lost; rows may be taken back, and then must not count as
    # a day seen.
    f"""
    CREATE TEMP TABLE seen_closely AS
    SELECT patient_id FROM event_rows JOIN code_kinds USING (code) WHERE {_SIGN}
    UNION SELECT patient_id FROM event_rows WHERE status = 'existing' AND service_date IS NOT NULL
    UNION SELECT patient_id FROM elsewhere
    UNION SELECT patient_id FROM taken_back_codes
    """,  # noqa: S608
    f"CREATE TEMP TABLE rows_seen_closely AS {_ROWS} {_STANDING} SEMI JOIN seen_closely USING (patient_id)",
    f"""
    INSERT INTO event_rows {_ROWS} rows_seen_closely SEMI JOIN taken_back_codes USING (patient_id, code)
    ANTI JOIN {_TELLING_SEEN_CLOSELY} USING (load_id, row_number, part)
    """,
)

# The days up to a cut-off. Of patients not seen closely every completed row stands, the telling ones too.
CONTACTS = f"""
    CREATE TEMP TABLE contact_days AS
    WITH spans AS (
        SELECT patient_id, min(service_date) AS first, max(service_date) AS last
        FROM {_STANDING} ANTI JOIN (FROM code_kinds WHERE no_contact) USING (code) WHERE {_DONE} GROUP BY patient_id
    )
    SELECT patient_id, unnest(CASE WHEN first = last THEN [first] ELSE [first, last] END) AS service_date,
           false AS is_exam
    FROM spans ANTI JOIN seen_closely USING (patient_id)
    UNION ALL
    SELECT patient_id, service_date, bool_or(coalesce(exam, false)) AS is_exam
    FROM rows_seen_closely LEFT JOIN code_kinds USING (code)
    ANTI JOIN {_TELLING_SEEN_CLOSELY} USING (load_id, row_number, part)
    WHERE {_DONE} AND NOT coalesce(no_contact, false) GROUP BY patient_id, service_date
    """  # noqa: S608
# Whether most completed crown rows have a fee: `transforms.link.fees_are_kept` on the same rows.
FEES_KEPT = """
    SELECT count(*) FILTER (WHERE fee > 0) > 0
       AND 2 * count(*) FILTER (WHERE fee >= 0) > count(*) FILTER (WHERE coalesce(fee, 0) >= 0)
    FROM event_rows SEMI JOIN (FROM code_kinds WHERE crown) USING (code)
    WHERE status = 'completed' AND tooth_fdi IS NOT NULL
    """

# Counts of the rows that stay at home, under the names that linking gives the counts of those it sees.
_COUNTS = f"""
    SELECT count(*) FILTER (WHERE status = 'completed') AS rows_completed,
           count(*) FILTER (WHERE status = 'planned') AS rows_planned,
           count(*) FILTER (WHERE status = 'existing') AS rows_existing,
           count(*) FILTER (WHERE status = 'void') AS rows_void,
           count(*) FILTER (WHERE tooth_fdi > 48 AND {_DONE}) AS rows_on_primary_teeth,
           count(*) FILTER (WHERE supernumerary AND tooth_fdi IS NOT NULL AND {_DONE}) AS rows_on_supernumerary_teeth
    """
_KEPT = ("completed", "planned", "existing", "void", "on_primary_teeth", "on_supernumerary_teeth")
LEFT_OUT = f"""
    SELECT {", ".join(f"a.rows_{n} - k.rows_{n} AS rows_{n}" for n in _KEPT)}
    FROM ({_COUNTS} FROM {_STANDING}) AS a, ({_COUNTS} FROM event_rows) AS k
    """  # noqa: S608
