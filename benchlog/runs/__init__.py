"""Runs: a session from its first reading to its record.

``session`` puts acquisition and store together; ``listen`` turns readings as they come into happenings (the
key went down, a band was recognised, a key-down was measured); ``sweep`` and ``watch`` decide what to ask of
the operator. A run is an iterator of happenings: whoever shows them (a terminal, a page) stays outside.
Imports acquire, analysis, store and below.
"""
