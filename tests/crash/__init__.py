"""Crash trials: the store's work, cut off at any moment; what was acknowledged must be there, and the next start clean.

``works`` lists what is done (``at_store``, ``at_files``), ``source`` has what goes in, ``judge`` says what must be
there afterwards. Three ways to be cut off: ``killing`` (SIGKILL), ``disks`` (full, read-only, failing), ``power`` (all
that was not synced may be lost), which takes what a process gave the disk from ``recorder``. The short form is
``test_crash_trials``; the long one, which prints the tables, is ``scripts/crash-trials``.
"""
