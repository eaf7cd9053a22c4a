"""A record of the tables as somebody types it: texts in cells, and the way to a record and back.

A page, a workbook and a file of comma-separated values show the same columns (:mod:`.columns`). What was
typed is kept as it was typed (:mod:`.entry`); it becomes a record only when every cell can be read
(:mod:`.reading`), and a record is written into cells in one way only (:mod:`.writing`).
"""
