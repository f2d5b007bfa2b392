"""``python -m tests.speed.instrument COUNT LATENCY_S [CORE]``: so many instruments on ports of their own.

Each answers a line with its name or with a number, at once or after so long. Prints the ports on one line; ends with
standard input.
"""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

from tests.speed.table import ROOT


def main(count: int, latency_s: float, *core: int) -> None:
    """Until standard input ends."""
    os.sched_setaffinity(0, set(core) or os.sched_getaffinity(0))
    servers = [socket.create_server(("127.0.0.1", 0)) for _ in range(count)]
    for server in servers:
        threading.Thread(target=_accept, args=(server, latency_s), daemon=True).start()
    print(json.dumps([server.getsockname()[1] for server in servers]), flush=True)
    sys.stdin.read()


def _accept(server: socket.socket, latency_s: float) -> None:
    while True:
        peer, _ = server.accept()
        peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        threading.Thread(target=_serve, args=(peer, latency_s), daemon=True).start()


def _serve(peer: socket.socket, latency_s: float) -> None:
    while asked := peer.recv(4096):
        if latency_s:
            time.sleep(latency_s)
        peer.sendall(b"Example,METER,1,0\n" if asked == b"*IDN?\n" else b"+1.234E+01\n")


@contextmanager
def instruments(count: int, latency_s: float, *core: int) -> Iterator[list[int]]:
    """Their ports. They keep to a core, where one is named."""
    words = [sys.executable, "-m", "tests.speed.instrument", *map(str, (count, latency_s, *core))]
    with subprocess.Popen(words, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdout
        try:
            yield json.loads(process.stdout.readline())
        finally:
            process.communicate()


if __name__ == "__main__":
    main(int(sys.argv[1]), float(sys.argv[2]), *map(int, sys.argv[3:]))
