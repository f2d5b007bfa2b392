"""Runs: a session from its first reading to its record.

``session`` puts acquisition and store together; ``listen`` turns readings as they come into happenings (the
key went down, a band was recognised, a key-down was measured); ``sweep``, ``soak`` and ``watch`` decide what to ask of
the operator or of the key line, ``safety`` when to stop for safety. A run is an iterator of happenings: ``conduct``
hands them to whoever shows them (a terminal, a page), who stays outside.
``records`` makes the record of a stored session, ``revise`` with another bench file.
Imports acquire, keying, analysis, store and below.
"""
