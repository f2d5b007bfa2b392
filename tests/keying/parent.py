"""A program that keys and beats until something ends it: ``python parent.py FIRST_MESSAGE``."""

import json
import signal
import sys
import time

from benchlog.keying.client import Guard

if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.default_int_handler)  # ignored where the tests run in a shell's background
    guard = Guard(json.loads(sys.argv[1]))
    guard.down(15.0)
    print(guard.pid, flush=True)
    while True:
        guard.beat()
        time.sleep(0.1)
