"""From figures to sentences: what went wrong or nearly so, what it rests on, and what to look at before the next flight.

One module per part of the flight, one function per rule; `rules.RULES` is the whole list. A rule sees the figures and
moments known so far and returns a finding or None; it states only what the figures carry, with their numbers. Thresholds
are common practice, no source, unless a line says otherwise.
"""
