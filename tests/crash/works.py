"""The store's work, each a thing to be cut off: what is done, what is told while it is done, what must be kept of it.

A work says each thing the moment the store has acknowledged it, as (what, value), and goes on only then. ``wrong``
compares what was said with what is in the store: all that was acknowledged, nothing that nobody put, nothing half.
"""

from __future__ import annotations

from benchlog.store.schema import NEWEST
from tests.crash import at_files, at_store
from tests.crash.work import Work, a_session_and_a_file, nothing

WORKS = (
    Work("writing a session", nothing, at_store.write, at_store.wrong_write),
    Work("sealing it", nothing, at_store.seal, at_store.wrong_write, marks=True),
    Work("bringing the schema up to date", at_store.old_store, at_store.migrate, at_store.wrong_migrate, kinds=NEWEST),
    Work("importing", a_session_and_a_file, at_files.import_, at_files.wrong_import_),
    Work("exporting", at_files.an_import, at_files.export, at_files.wrong_export),
    Work("writing a record", at_files.an_old_record, at_files.write_record, at_files.wrong_record, beside=True),
    Work("rescuing into a new store", at_files.an_import, at_files.rescue_it, at_files.wrong_rescue),
    Work("backing up", at_files.copies, at_files.copy, at_files.wrong_copy),
    Work("typing in and correcting", nothing, at_store.type_in, at_store.wrong_type_in),
    Work("revising", a_session_and_a_file, at_store.revise, at_store.wrong_revise),
    Work("keeping account of starts", a_session_and_a_file, at_store.keep_account, at_store.wrong_account),
    Work("recovering", at_store.cut_off, at_store.recover, at_store.wrong_recover),
)
NAMED = {work.name: work for work in WORKS}
