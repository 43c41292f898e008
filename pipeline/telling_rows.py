"""Which rows of a ledger linking must see one by one: the statements that part them from mere contacts.

Nine rows in ten only say that a patient was seen that day. They are summed up where they lie, and only the telling
ones are handed to `transforms.link`. Which rows those are is decided generously here; the rules themselves stand there.
`linking_ledger` stands for all stored rows, or for those of a sample of the patients.
"""

from __future__ import annotations

import polars as pl

# One row per code that matters: may the rules look at it, does it end a tooth, does it stand where a tooth was.
KIND_SCHEMA: dict[str, pl.DataType] = {
    "code": pl.String(),
    "linked": pl.Boolean(),
    "extraction": pl.Boolean(),
    "in_place": pl.Boolean(),
    "lost": pl.Boolean(),
}
COLUMNS = (
    "patient_id",
    "service_date",
    "code",
    "tooth_fdi",
    "supernumerary",
    "provider_id",
    "status",
    "site_id",
    "fee",
    "reason",
    "load_id",
    "row_number",
    "part",
)
TEMPORARY = (
    "code_kinds",
    "extracted_teeth",
    "taken_back_codes",
    "telling_rows",
    "seen_closely",
    "rows_seen_closely",
    "contact_days",
)

_STANDING = "linking_ledger SEMI JOIN _loads USING (load_id) ANTI JOIN _taken_back USING (load_id, row_number, part)"
_DONE = "status = 'completed' AND service_date IS NOT NULL AND ($until::DATE IS NULL OR service_date <= $until::DATE)"
# A code of which the rules see every row on a tooth.
_CODED = "coalesce(linked AND tooth_fdi IS NOT NULL AND status IN ('completed', 'existing'), false)"
_TELLING_SEEN_CLOSELY = "(SELECT * FROM telling_rows SEMI JOIN seen_closely USING (patient_id))"
_ROWS = f"SELECT {', '.join(COLUMNS)} FROM"

# A pass over all rows looks at as few columns as it can; what few patients have is looked up for these alone.
PREPARE = (
    "CREATE TEMP TABLE code_kinds AS SELECT * FROM incoming",
    f"CREATE TEMP TABLE telling_rows AS {_ROWS} {_STANDING} JOIN code_kinds USING (code) WHERE {_CODED}",
    """
    CREATE TEMP TABLE extracted_teeth AS
    SELECT patient_id, tooth_fdi, supernumerary, min(service_date) AS extracted
    FROM telling_rows SEMI JOIN (SELECT code FROM code_kinds WHERE extraction) USING (code)
    WHERE status = 'completed' GROUP BY ALL
    """,
    # What names a tooth after its first extraction may have to be set aside.
    f"""
    INSERT INTO telling_rows {_ROWS} {_STANDING} LEFT JOIN code_kinds USING (code)
    JOIN extracted_teeth USING (patient_id, tooth_fdi, supernumerary)
    WHERE tooth_fdi IS NOT NULL AND status = 'completed' AND service_date > extracted AND NOT {_CODED}
    """,
    # A negative fee may take a row back, so all rows of that code stay.
    "CREATE TEMP TABLE taken_back_codes AS SELECT DISTINCT patient_id, code FROM linking_ledger WHERE fee < 0",
    # Patients whose first and last day do not tell enough: a tooth may be lost between visits, or rows may be set aside
    # or taken back, and then must not count as a day seen.
    """
    CREATE TEMP TABLE seen_closely AS
    SELECT patient_id FROM telling_rows JOIN code_kinds USING (code) WHERE in_place OR (lost AND status = 'existing')
    UNION SELECT patient_id FROM telling_rows JOIN extracted_teeth USING (patient_id, tooth_fdi, supernumerary)
    WHERE service_date > extracted
    UNION SELECT patient_id FROM taken_back_codes
    """,
    f"CREATE TEMP TABLE rows_seen_closely AS {_ROWS} {_STANDING} SEMI JOIN seen_closely USING (patient_id)",
    f"""
    INSERT INTO telling_rows {_ROWS} rows_seen_closely SEMI JOIN taken_back_codes USING (patient_id, code)
    ANTI JOIN {_TELLING_SEEN_CLOSELY} USING (load_id, row_number, part)
    """,
)

# The days up to a cut-off. Of patients not seen closely every completed row stands, the telling ones too.
CONTACTS = f"""
    CREATE TEMP TABLE contact_days AS
    WITH spans AS (
        SELECT patient_id, min(service_date) AS first, max(service_date) AS last
        FROM {_STANDING} WHERE {_DONE} GROUP BY patient_id
    )
    SELECT patient_id, unnest(CASE WHEN first = last THEN [first] ELSE [first, last] END) AS service_date
    FROM spans ANTI JOIN seen_closely USING (patient_id)
    UNION ALL
    SELECT DISTINCT patient_id, service_date
    FROM rows_seen_closely ANTI JOIN {_TELLING_SEEN_CLOSELY} USING (load_id, row_number, part) WHERE {_DONE}
    """  # noqa: S608

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
    FROM ({_COUNTS} FROM {_STANDING}) AS a, ({_COUNTS} FROM telling_rows) AS k
    """  # noqa: S608
