"""Truth trials: simulated sessions with planted truth, and what the records make of it.

``draw`` decides what is so (its docstring is the stated distribution), ``world`` turns that into true curves and into
the readings a bench would have stored, ``cases`` sets each result of the record beside its truth (with the truth's
definition), ``found`` does the same for findings, ``judge`` holds the criteria, ``trial`` makes one trial of these.
The short form is ``test_truth_trials``; the long one, which prints the table, is ``scripts/truth-trials``.
"""
