"""A region's tables as files that somebody keeps, edits and sends: a workbook, CSV, or YAML.

A workbook and CSV hold the entries of :mod:`service.entries`, cell by cell as they were typed, right or
wrong; both have the sheets of :mod:`.sheets`. YAML holds records, and is what the folder of tables is made
of. What was written is read as the same entries again, and the same entries are always the same bytes.
"""
