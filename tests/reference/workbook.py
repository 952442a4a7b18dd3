"""Writes tests/fixtures/workbook.xlsx with openpyxl, another program's hand: what the reader of sheets must cope with in one workbook.

An empty sheet first, two empty lines above the headings, shared texts, a day and a time apart and together, a day as text,
an empty line, whole and broken numbers, a number with exactly three decimals, yes and no.

    python tests/reference/workbook.py tests/fixtures/workbook.xlsx
"""

import datetime as dt
import sys

from openpyxl import Workbook

book = Workbook()
book.active.title = "Cover"
sheet = book.create_sheet("Roasts")
sheet["A3"] = "Date"
for column, heading in enumerate(["Date", "Time", "Coffee", "Green kg", "Roasted kg", "OK"], 1):
    sheet.cell(3, column, heading)
sheet["A4"], sheet["B4"], sheet["C4"] = dt.date(2026, 3, 2), dt.time(7, 30), " Kivu AA "
sheet["D4"], sheet["E4"], sheet["F4"] = 12.5, 10.62, True
sheet["A5"], sheet["C5"] = dt.datetime(2026, 3, 2, 8, 15), "Kivu, peaberry"
sheet["D5"], sheet["E5"], sheet["F5"] = 12, 10.125, False
sheet["A7"], sheet["B7"], sheet["C7"] = "3 Mar 2026", "9:05 am", "Sidama"
sheet["D7"], sheet["E7"] = 0.5, 1234567.25
book.properties.created = book.properties.modified = dt.datetime(2026, 3, 3)
book.save(sys.argv[1])
