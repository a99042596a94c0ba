"""A text log of any shape as columns, and what these are by units, plain words and statistics.

`text_log` cuts a file into columns; `column_meaning` says what each is (time, height, forces, rates, places) and what could
not be known. A dictionary is drafted from it, and an onboard log of odd shape is read by it.
"""
