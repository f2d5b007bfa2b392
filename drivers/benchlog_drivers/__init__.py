"""The instrument drivers that come with benchlog, found through entry points like anybody else's.

``scpi``, ``serial_text`` and ``typed`` are the drivers; ``line`` holds what the first two share: one question
at a time, and never a late answer taken for another question's. ``visa_link`` and ``serial_link`` move bytes,
``ieee488`` and ``text`` turn them into numbers. Imports ``benchlog.driver`` and ``benchlog.files``, nothing
else of benchlog; nothing in benchlog imports from here.
"""
