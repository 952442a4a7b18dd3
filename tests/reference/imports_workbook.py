"""Writes workbooks with openpyxl, another program's hand: orders, subscribers and standing orders as a shop's export might have them, with headings
and columns of its own, true date cells and numbers.

    python tests/reference/imports_workbook.py tests/fixtures

makes orders.xlsx, subscribers.xlsx and standing-orders.xlsx there.
"""
import datetime
import sys
from pathlib import Path

from openpyxl import Workbook

SHIP_DAY = datetime.date(2031, 2, 12)
TABLES = {
    "orders": [
        ["Placed", "Doc no", "Client", "Leaves on", "Article", "Qty", "Net"],
        [datetime.date(2031, 2, 3), "D-8801", "Quay Café", SHIP_DAY, "Kirimbi filter 250", 24, 168.5],
        [datetime.date(2031, 2, 3), "D-8801", "Quay Café", SHIP_DAY, "Sereno espresso 1000", 3, 78],
        [datetime.date(2031, 2, 4), "D-8802", "Mill Lane Bakery", SHIP_DAY, "Kirimbi filter 250", 12, 84],
    ],
    "subscribers": [
        ["Account", "Full name", "Bags a month", "Roast", "Lives in", "Since", "Paid to"],
        [4101, "Person one", 2, "Filter", "Home", datetime.date(2026, 1, 5), None],
        [4102, "Person two", 1, "filter", "Home", datetime.date(2026, 2, 1), datetime.date(2031, 12, 31)],
    ],
    "standing-orders": [
        ["Ref", "Café", "Every n weeks", "First on", "Item", "Pieces"],
        ["ST-1", "Quay Café", 2, SHIP_DAY, "Kirimbi filter 250", 10],
        ["ST-1", "Quay Café", 2, SHIP_DAY, "Sereno espresso 1000", 2],
    ],
}

for name, rows in TABLES.items():
    book = Workbook()
    book.active.title = name.replace("-", " ").capitalize()
    for row in rows:
        book.active.append(row)
    book.properties.created = book.properties.modified = datetime.datetime(2031, 2, 5)
    book.save(Path(sys.argv[1]) / f"{name}.xlsx")
