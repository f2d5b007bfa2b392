"""The page: what people see of a run while it is on, and its API.

``feed`` turns a run's happenings into numbered messages and keeps the picture they add up to; ``trend`` keeps its
readings at a constant size, and ``stored`` reads the same out of the store; ``house`` is what stands behind a page, the
daemon or an attended run; ``clerk`` has records worked out by a process of their own (``worker``); ``api`` and its
neighbours are the routes, ``guards`` keeps strangers and floods out, ``server`` listens; ``static`` holds the page
itself. Imports runs, report and below; the daemon and the front doors import it.

Promises, tried in tests/page/:
  - whoever looks delays nothing: the run hands its happenings over without waiting, and no viewer's pace matters;
  - a viewer whose connection breaks gets every message it missed, once, or is told that it has missed some;
  - what is kept for viewers is bounded, however long the run and however many look;
  - nothing is changed without the token, and no request's words name a file.
"""
