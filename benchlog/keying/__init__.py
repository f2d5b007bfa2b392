"""Keying that fails up: the guard process, the key lines, limits on readings, the dummy load's heat budget.

May import model, quantities, files, driver, bench, plan, clock and errors; knows no instruments, no store and
no runs. ``guard``, ``lines``, ``heat``, ``overdue`` and ``pipes`` import nothing of benchlog but each other, because
the guard is a process of its own that must share nothing with what may fail.

Promises: whatever happens to the program that asked for the key, the guard keys up within a second, and says
why. What it cannot promise is in ``guard``'s own words.
"""
