"""The store: every session's readings and events in one SQLite file, written once and never altered.

``SessionWriter`` puts a running session in, ``StoreReader`` hands out what is there, ``enter`` adds a typed
reading from another process, ``exchange`` turns CSV into sessions and sessions into CSV and Parquet, ``revisions``
keeps what came of analysing a session again. ``seal`` keeps what ``verify`` later holds a session against, ``sketch``
what the page draws from afar; ``rescue`` (with ``damaged`` and ``pages``) saves what it can of a damaged store into a
new one.
Imports model, series, clock, cores, errors, bench, plan, files and rfc4180; nothing else of benchlog.

Promises, one test each in tests/store/test_promises.py, seen through a second plain connection:
  P1  what ``flush`` has acknowledged survives SIGKILL of this process;
  P2  a batch is kept whole or not at all;
  P3  a row put is committed within 250 ms and the time of one commit, with no one asking;
  P4  readers never block the writer, nor the writer readers;
  P5  a full disk loses nothing committed, is told at once (``failure``), and what was put meanwhile is held
      in memory and kept when there is room again;
  P6  so does a lock held by another program, however long it holds it;
  P7  a file that is not ours, or that a newer program wrote, is refused and left byte for byte as it was;
  P8  a store from an older program is brought up to date as a whole or not at all, by whoever writes to it; readers
      take it as it is from version 3 on;
  P9  a typed reading goes in while the writer runs, whichever commits first;
  P10 two rows of one channel at one instant are both kept, the later one at the next free nanosecond;

and, each shown by scripts/crash-trials, which cuts every work of the store off at any moment (tests/crash/):
  P11 whatever was acknowledged - rows flushed, an end, an import's number, a typed reading, a revision, a start
      accounted for, a backup or an export under its name - survives SIGKILL and power loss; each is there whole or
      not at all, and the next start needs no repair by hand;
  P12 a store whose making was cut off is made by whoever writes to it next (tests/store/test_cut_off.py);
  P13 a store on a disk that is full or read-only can still be read, unless a log that was left beside it would have to
      be replayed on the read-only one.

Not promised:
  - rows of the last 250 ms, when the process is killed (P3 is the bound);
  - rows beyond ``writer.HOLD`` put while nothing can be written: they are counted, and ``end`` raises;
  - anything on a network file system: WAL needs memory shared by all its users;
  - the side files: ``-wal`` and ``-shm`` belong to the store while it is in use; a reader leaves them behind, empty;
  - more than what was synced, where the disk lies about syncing, writes half a sector, or spoils what lies beside one;
  - that what was not acknowledged is gone: a commit may be there that nobody was told of, whole as every other;
  - anything after a sync that failed once: the system may have dropped what was to be written.

Durability: WAL with synchronous=FULL, on every connection that writes (``connection.SYNCHRONOUS``). FULL syncs the log
at each commit, and the folder with a file that is new. NORMAL would sync only at checkpoints, about every 140,000 rows:
the file stays whole, but what was acknowledged since is lost (the trials show both, and that OFF ruins the file). A
bench with a kilovolt supply is where breakers trip: a quarter of an hour of readings is too much to bet on that. FULL
costs one sync a batch, at most six a second, in a thread nothing waits for (0.9 ms for 40 rows, p99 1.1 ms).

Files are made with the user's umask: a bench record is no secret, and other tools are meant to read it.

Never open a store with anything but Python's sqlite3 in a process that has it open: closing any other descriptor of
the file drops the process's POSIX locks on it, and a second writer gets in (seen; ``connection.sole_use``).
"""
