"""What a finished recording is asked on demand: why it flew as it did, and what to change.

Heavier than all the rest of a recording's computing together, so nothing of it runs by itself: a person asks for a subject
in the terminal (`blockhouse study`) or on the page (Learn). `subjects` is the table of them; each is a module with a
function of a `Case`, the whole flight as known at its end. Here, and in rooms of `server/flight/` that only this room uses,
scipy may be used.
"""
