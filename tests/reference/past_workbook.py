"""Writes tests/fixtures/past-batches.xlsx with openpyxl, another program's hand: past batches as a roastery might keep them in a workbook.

Days are true date cells, masses true numbers; one row was misread and one cell holds words.

    python tests/reference/past_workbook.py tests/fixtures/past-batches.xlsx
"""
import datetime
import sys

from openpyxl import Workbook

LOSSES = [0.134, 0.137, 0.131, 0.135, 0.139, 0.133, 0.136, 0.132]

book = Workbook()
sheet = book.active
sheet.title = "Roasts"
sheet.append(["Roasted", "Bean", "Green kg", "Out kg", "Water", "Notes"])
for n in range(40):
    out = 9.38 if n == 30 else round(12 * (1 - LOSSES[n % 8]), 2)
    sheet.append([datetime.date(2025, 2, 3) + datetime.timedelta(days=n), ["K-17", "K-PB"][n % 2], 12, out, 0.108, "dry and cold"])
    sheet.cell(row=sheet.max_row, column=5).number_format = "0.0%"
sheet.append([datetime.date(2025, 3, 20), "K-17", 12, "spilled", None, None])
book.save(sys.argv[1])
