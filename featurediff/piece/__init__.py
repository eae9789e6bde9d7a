"""A piece: one drawing over its rounds of drawing, photographing and correcting.

``records`` says what is kept, ``follow`` judges a new round against the one before, ``store`` keeps the folder (by ``files``,
``lock``, ``encode`` and ``decode``), ``words`` and ``strip`` tell it.
"""
