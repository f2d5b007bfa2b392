"""Instruments to readings: the drivers' registry, the polling plan, one thread a bus.

Promises: every planned slot of every channel ends as exactly one ``Reading``, a channel's good ones in order of
time; one dead instrument never delays another; no exception of a driver gets past its bus. Hands everything to a sink
(``put``), and does not know what the sink is. Imports bench, driver, clock, model and below.
"""
