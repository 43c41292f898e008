import xlsxwriter


def make(folder):
    wb = xlsxwriter.Workbook(folder / "ledger.xlsx")
    data = [
        (
            "Chart 1042",
            ["Date", "Code", "Tooth"],
            [["2019-03-05", "D3330", 14], ["2019-04-02", "D2740", 14], ["2019-06-04", "D0120", None]],
        ),
        ("Chart 1042 (2)", ["Date", "Code", "Tooth"], [["2019-05-14", "D2740", 30], ["2020-06-16", "D7140", 30]]),
        ("Chart 1043", ["Date", "Code", "Tooth"], [["2019-07-09", "D0120", None], ["2020-08-18", "D2740", 19]]),
    ]
    for name, head, rows in data:
        ws = wb.add_worksheet(name)
        ws.write_row(0, 0, head)
        for n, r in enumerate(rows, 1):
            ws.write_row(n, 0, r)
    wb.close()
