"""Readings to results: pure functions of arrays, the bench file and the plan file.

Imports bench, plan, series, model and below; knows neither store nor files. The same call gives the same
record at any time: live at a key-up, or years later.

    analyse        a session to its record; measure: one key-down; onband, bands: one band
    corrections, accuracy, instruments   the measuring chain
    keydowns       when the key was down, on which band
    uncertainty, memory, verdicts        JCGM 100, how noise hangs together, JCGM 106
    power, swr, droop, rundroop, bends, dips, ends, fits, root    power
    frequency, movement, warmup, steps (levels, cusum), stability, wild    frequency
    tuning, turns  how a band was tuned: peak of the grid current, dip of the plate current, level control
    dial, passes, course, polish         what the bands share, and what is each one's own
    diagnosis: supply, match, warmth     why; findings, troubles, wording: what a reader must know
    compare, sameness, trend             two sessions, and many
    results        the record's parts
"""
