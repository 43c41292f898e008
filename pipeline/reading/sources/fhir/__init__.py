"""HL7 FHIR R4 and R5 as bulk data: one resource a line, read on DuckDB; see `ndjson` for what becomes of each."""
