"""What is judged of a flight, in numbers: one frozen dataclass per figure, by part of the flight.

A field's name, unit and all, is its key in the journal: the page, the report and the plan for the next flight read it there.
"""
