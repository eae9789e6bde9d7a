"""A class: many sheets of one reference, compared on all cores, and what they have in common.

`run.py` is the order of the steps, `roster.py` who is which number, `sheets.py` what is done already, `work.py` the part that
runs in other processes, `summary.py` what is told of all together.
"""
