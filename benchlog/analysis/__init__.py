"""Readings to results: pure functions of arrays, the bench file and the plan file.

Imports bench, plan, series, model and below; knows neither store nor files. The same call gives the same
record at any time: live at a key-up, or years later.
"""
