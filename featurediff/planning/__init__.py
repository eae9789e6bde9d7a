"""Before the first line: where the subject sits on the sheet, the lengths to start with, plumb relations, the reference's faults.

`plan.py` is the order of the steps. Numbers and relations only: no grid, no outline to trace.
"""
