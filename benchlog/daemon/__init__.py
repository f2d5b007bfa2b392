"""The daemon: runs by the timetable, with nobody there.

``serving`` is the loop that holds it together; ``due`` and ``entries`` work out what the timetable wants,
``unattended`` conducts one run in a thread of its own, ``resume`` closes and continues what a crash cut off,
``backup`` copies the store, ``notices`` tells somebody who is not looking, ``client`` asks the daemon's page from
another process, ``place`` is where it finds it, ``systemd`` and ``logs`` speak to the system. Imports page and below;
the front doors import it.

Promises, tried through real processes in tests/cli/test_serve.py:
  - a start that was due becomes a session, or a missed start with its reason: a row and a notice, never nothing;
  - one run at a time;
  - nothing is keyed unattended without ``may_key`` in the timetable; the guard is the same as a person's run has;
  - a notice never delays a key-up, and one that cannot be delivered is in the log;
  - the system's watchdog is fed only while the timetable and the run's own loop are alive.
"""
