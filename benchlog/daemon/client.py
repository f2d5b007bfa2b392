"""Asking the daemon, from another process of this computer."""

from __future__ import annotations

import http.client
import json
import time
from typing import Any

from benchlog.daemon.place import find
from benchlog.errors import BenchFailed

TIMEOUT_S = 5.0
STOPPED_S = 30.0  # an instrument that hangs is let go only after its time-out
_PAUSE_S = 0.1


def status(port: int) -> dict[str, Any]:
    """How things stand. Raises BenchFailed where no daemon answers."""
    _, said = _ask(port, "GET", "/api/status", {})
    return said


def stop(port: int) -> dict[str, Any] | None:
    """End the run that is on; returns how it went (``Daemon.status``'s ``last``), None where no run was on.

    Raises BenchFailed where no daemon answers, or the run does not end.
    """
    code, said = _ask(port, "POST", "/api/stop", {"Authorization": f"Bearer {find(port).token}"})
    if code == 409:
        return None
    if code != 202:
        what, cure = f"the daemon refused: {said.get('error', code)}", "Is it another user's daemon?"
        raise BenchFailed(what, where=f"port {port}", cure=cure)
    until = time.monotonic() + STOPPED_S
    while time.monotonic() < until:
        now = status(port)
        run, last = now["run"], now["last"]
        if run is None and last is not None:
            return dict(last)
        time.sleep(_PAUSE_S)
    raise BenchFailed("the run has not ended yet", where=f"port {port}", cure="`benchlog status` tells when it has.")


def _ask(port: int, method: str, path: str, headers: dict[str, str]) -> tuple[int, dict[str, Any]]:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=TIMEOUT_S)
    try:
        connection.request(method, path, headers=headers)
        answer = connection.getresponse()
        said = json.loads(answer.read())
        if not isinstance(said, dict) or (answer.status == 200 and said.get("schema") != "benchlog-daemon/1"):
            raise ValueError("not a daemon's words")
    except ConnectionRefusedError:
        what, cure = "no daemon answers", "Start one with `benchlog serve`, or name its port with --port."
    except (OSError, http.client.HTTPException) as exc:
        what, cure = f"the daemon does not answer: {exc}", "Look at its log; end it and start it again if it hangs."
    except ValueError:
        what, cure = "what answers is not a daemon of this version", "Name the daemon's port with --port."
    else:
        return answer.status, said
    finally:
        connection.close()
    raise BenchFailed(what, where=f"port {port}", cure=cure)
