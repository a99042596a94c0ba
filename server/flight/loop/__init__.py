"""The roll loop: how it answered when control began, whether it oscillates, its margins, and a signal that excites it.

Guidance from one flight: nothing here knows what lies beyond the dynamic pressures that the flight went through.
"""
