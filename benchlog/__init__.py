"""A bench logger for HF transmitters: instruments in, a record out.

The way of a reading: driver (bytes to numbers) -> ``acquire`` (stamp, account) -> ``store`` (commit)
-> ``analysis`` (pure functions) -> ``report``. ``runs`` puts these together; ``cli`` is the front door.
"""

__version__ = "0.1.0"
