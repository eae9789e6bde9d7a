"""What is common to many drawings: habits of one artist over many pieces, and of a class over one reference.

`reading` takes measures from stored reports, `chance` tests them, `tendencies` finds what is common, `words` and `chart` tell it.
"""
