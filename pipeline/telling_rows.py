"""Which rows of a ledger linking must see one by one: the statements that part them from mere contacts.

Nine rows in ten only say that a patient was seen that day. They are summed up where they lie, and only the telling
ones are handed to `transforms.link`. Which rows those are is decided generously here; the rules themselves stand there.
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
TEMPORARY = ("code_kinds", "extracted_teeth", "taken_back_codes", "telling_rows")

_STANDING = "_procedures SEMI JOIN _loads USING (load_id) ANTI JOIN _taken_back USING (load_id, row_number, part)"
_DONE = "status = 'completed' AND service_date IS NOT NULL AND ($until::DATE IS NULL OR service_date <= $until::DATE)"
# A negative fee may take a row back, so these all stay; a row is never both a contact here and there.
_REST = f"({_STANDING} ANTI JOIN telling_rows USING (load_id, row_number, part))"

PREPARE = (
    "CREATE TEMP TABLE code_kinds AS SELECT * FROM incoming",
    # The first extraction of each tooth: what names the tooth afterwards may have to be set aside.
    """
    CREATE TEMP TABLE extracted_teeth AS
    SELECT patient_id, tooth_fdi, supernumerary, min(service_date) AS extracted
    FROM _procedures SEMI JOIN (SELECT code FROM code_kinds WHERE extraction) USING (code)
    WHERE status = 'completed' AND tooth_fdi IS NOT NULL GROUP BY ALL
    """,
    """
    CREATE TEMP TABLE taken_back_codes AS
    SELECT DISTINCT patient_id, code, true AS taken_back FROM _procedures WHERE fee < 0
    """,
    f"""
    CREATE TEMP TABLE telling_rows AS
    SELECT {", ".join(COLUMNS)}
    FROM {_STANDING} LEFT JOIN code_kinds USING (code)
    LEFT JOIN extracted_teeth USING (patient_id, tooth_fdi, supernumerary)
    LEFT JOIN taken_back_codes USING (patient_id, code)
    WHERE (linked AND tooth_fdi IS NOT NULL AND status IN ('completed', 'existing'))
       OR (status = 'completed' AND service_date > extracted)
       OR taken_back
    """,  # noqa: S608
)

CONTACTS = f"""
    WITH rest AS (SELECT patient_id, service_date FROM {_REST} WHERE {_DONE}),
    lost AS (
        SELECT DISTINCT patient_id FROM telling_rows JOIN code_kinds USING (code)
        WHERE in_place OR (lost AND status = 'existing')
    )
    SELECT patient_id, unnest([min(service_date), max(service_date)]) AS service_date FROM rest GROUP BY patient_id
    UNION SELECT patient_id, service_date FROM rest SEMI JOIN lost USING (patient_id)
    """  # noqa: S608

# Counts of the rows that stay at home, under the names that linking gives the counts of those it sees.
LEFT_OUT = f"""
    SELECT count(*) FILTER (WHERE status = 'completed') AS rows_completed,
           count(*) FILTER (WHERE status = 'planned') AS rows_planned,
           count(*) FILTER (WHERE status = 'existing') AS rows_existing,
           count(*) FILTER (WHERE status = 'void') AS rows_void,
           count(*) FILTER (WHERE tooth_fdi > 48 AND {_DONE}) AS rows_on_primary_teeth,
           count(*) FILTER (WHERE supernumerary AND tooth_fdi IS NOT NULL AND {_DONE}) AS rows_on_supernumerary_teeth
    FROM {_REST}
    """  # noqa: S608
