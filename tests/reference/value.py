"""Reads a value's workbook with openpyxl, another program's eye: real numbers, a header that stays, sums as formulas that agree.

    python tests/reference/value.py VALUE.xlsx VALUE.json

The JSON is the same value as the service answers it. ISO/IEC 29500-1:2016, 18.3.1: cells, formulas with their last results, panes.
"""

import json
import re
import sys
from decimal import Decimal

from openpyxl import load_workbook

path, answered = sys.argv[1:]
with open(answered, encoding="utf-8") as file:
    said = json.load(file, parse_float=Decimal)
formulas = load_workbook(path)
results = load_workbook(path, data_only=True)
assert formulas.sheetnames == ["Lots", "Coffees", "About"], formulas.sheetnames
one = Decimal(10) ** said["digits"]


def whole(value, parts=one):
    """A cell's amount in whole parts of its unit; it must be a number and nothing finer."""
    assert isinstance(value, (int, float)), value
    exact = Decimal(repr(value)) * parts
    assert abs(exact - round(exact)) < Decimal("0.001"), value
    return round(exact)


sums = 0
for sheet in ["Lots", "Coffees"]:
    assert formulas[sheet].freeze_panes == "A2", sheet
    for row in formulas[sheet].iter_rows():
        for cell in row:
            if cell.data_type != "f":
                continue
            area = re.fullmatch(r"=SUM\(([A-Z]+\d+:[A-Z]+\d+)\)", cell.value).group(1)
            cells = [each.value for line in results[sheet][area] for each in line]
            assert sum(whole(each, 1000 * one) for each in cells) == whole(results[sheet][cell.coordinate].value, 1000 * one), cell.coordinate
            sums += 1
assert sums > 2 * len(said["lots"])

rows = list(results["Lots"].iter_rows(values_only=True))
heads = {head: index for index, head in enumerate(rows[0])}
assert len(rows) == len(said["lots"]) + 2
changes = ["Bills", "Sold", "Samples", "Waste", "Count differences", "Into blends", "To other sites", "Written down", "Of that, used"]
stock = ["store", "batch", "roasted", "packed", "coming"]
for row, lot in zip(rows[1:], said["lots"]):
    assert row[heads["Lot"]] == lot["lot"]["name"]
    assert whole(row[heads["Green g"]], 1000) == round(lot["store_g"] * 1000)
    for end in ["opening", "closing"]:
        worth = sum(lot[end][name] for name in stock) - lot[end]["written_down"]
        assert whole(row[heads[end.capitalize()]]) == worth, row
    moved = sum(whole(row[heads[head]]) for head in changes)
    assert whole(row[heads["Opening"]]) + moved == whole(row[heads["Closing"]]), row
coffees = list(results["Coffees"].iter_rows(min_row=2, values_only=True))
for row, coffee in zip(coffees, said["coffees"]):
    assert [whole(each) for each in row[2:5]] == [coffee[way] for way in ["by_lot", "weighted_average", "first_in_first_out"]]
assert said["notice"] in [row[1] for row in results["About"].iter_rows(values_only=True)]
