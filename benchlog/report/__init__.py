"""The record as people and scripts read it: text for a terminal, the contract's JSON, one HTML file, PDF of it.

Imports analysis, bench, plan, model and below; it is handed everything and reads neither store nor disk.
The same input gives the same bytes, whenever and wherever it is rendered. ``html`` (jinja2) and ``figures``
(matplotlib) are slow to import: import them where they are used.
"""
