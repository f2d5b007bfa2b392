"""Fault trials: one fault, one key-down, and the key box's own clock as the judge.

``faults`` says what is done and what must follow, ``rig`` runs a simulated bench with a key box and a real
``benchlog soak`` on it, ``judge`` reads the store afterwards, ``trial`` makes one trial of these. The short form is
``test_fault_trials``; the long one, which prints the table, is ``scripts/fault-trials``.
"""
