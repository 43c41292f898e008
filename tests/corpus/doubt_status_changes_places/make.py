"""Two programs: D was done and C cancelled, and since July 2018 C is completed and D deleted."""

from __future__ import annotations

from pathlib import Path


def make(folder: Path) -> None:
    lines = ["patient_id,service_date,code,tooth,Src,St"]
    for n in range(240):
        year, month = 2017 + n // 80, 1 + n % 12
        is_new = (year, month) >= (2018, 7)
        letter = "DC"[is_new != (n % 11 == 0)]  # one in eleven was taken back
        code, tooth = (("D1110", ""), ("D2391", 3 + n % 20), ("D0120", ""))[n % 3]
        lines.append(
            f"P{n % 60},{year}-{month:02}-{1 + n % 27:02},{code},{tooth},{'live' if is_new else 'conv'},{letter}"
        )
    (folder / "ledger.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
