"""A ledger that ends where a sheet of a spreadsheet ends."""

from pathlib import Path

ROWS = 65_535


def make(folder: Path) -> None:
    lines = ["Chart,Date,Code,Tooth,Dr,Fee"]
    for n in range(ROWS):
        lines.append(f"{1000 + n // 7},{n % 12 + 1:02d}/{n % 28 + 1:02d}/{2010 + n % 9},D2392,{n % 32 + 1},AB,210.00")
    (folder / "ledger.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
