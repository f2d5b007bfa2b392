"""The daemon's log on standard error: lines for a person at a terminal, one JSON object a line for anything else."""

from __future__ import annotations

import json
import logging
import sys
from typing import Any

from benchlog.clock import rfc3339

LOG = logging.getLogger("benchlog")


def begin() -> None:
    """Every logger of this process goes there; libraries only with what is at least a warning."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(_Lines() if sys.stderr.isatty() else _Objects())
    logging.basicConfig(level=logging.WARNING, handlers=[handler], force=True)
    LOG.setLevel(logging.INFO)


def log(text: str, level: int = logging.INFO, **facts: Any) -> None:
    """One line; ``facts`` are keys of their own beside it."""
    LOG.log(level, "%s", text, extra={"facts": facts})


def warn(text: str, **facts: Any) -> None:
    """The same for what somebody should look at."""
    log(text, logging.WARNING, **facts)


class _Objects(logging.Formatter):
    def format(self, record: logging.LogRecord) -> str:
        said: dict[str, Any] = {
            "time": rfc3339(round(record.created * 1e9)),
            "level": record.levelname.lower(),
            "text": record.getMessage(),
        }
        if record.name != LOG.name:
            said["from"] = record.name
        said |= getattr(record, "facts", {})
        if record.exc_info:
            said["traceback"] = self.formatException(record.exc_info)
        return json.dumps(said, default=str, ensure_ascii=False)


class _Lines(logging.Formatter):
    def format(self, record: logging.LogRecord) -> str:
        mark = "! " if record.levelno >= logging.WARNING else ""
        text = f"{rfc3339(round(record.created * 1e9), 0)} {mark}{record.getMessage()}"
        return f"{text}\n{self.formatException(record.exc_info)}" if record.exc_info else text
