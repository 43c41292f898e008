import xlsxwriter


def make(folder):
    wb = xlsxwriter.Workbook(folder / "ledger.xlsx")
    data = [
        (
            "Crowns",
            ["Chart", "Date", "Tooth"],
            [["1001", "2019-04-02", 14], ["1002", "2019-05-14", 30], ["1003", "2020-08-18", 19]],
        ),
        ("Root canals", ["Chart", "Date", "Tooth"], [["1001", "2019-03-05", 14], ["1004", "2021-09-21", 8]]),
        ("Extractions", ["Chart", "Date", "Tooth"], [["1002", "2020-06-16", 30], ["1003", "2021-01-05", 3]]),
    ]
    for name, head, rows in data:
        ws = wb.add_worksheet(name)
        ws.write_row(0, 0, head)
        for n, r in enumerate(rows, 1):
            ws.write_row(n, 0, r)
    wb.close()
