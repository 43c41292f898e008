import xlsxwriter


def make(folder):
    wb = xlsxwriter.Workbook(folder / "ledger.xlsx")
    data = [
        ("Jan 2018", ["Day", "Chart", "Code", "Tooth"], [[5, "1001", "D3330", 14], [19, "1002", "D2740", 30]]),
        ("Feb 2018", ["Day", "Chart", "Code", "Tooth"], [[2, "1001", "D2740", 14], [28, "1003", "D0120", None]]),
        ("Mar 2018", ["Day", "Chart", "Code", "Tooth"], [[16, "1002", "D7140", 30]]),
    ]
    for name, head, rows in data:
        ws = wb.add_worksheet(name)
        ws.write_row(0, 0, head)
        for n, r in enumerate(rows, 1):
            ws.write_row(n, 0, r)
    wb.close()
