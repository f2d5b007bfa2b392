"""A simulated bench: a valve transmitter's physics behind instruments on real TCP sockets and pseudo-terminals.

Imports ``clock`` and ``errors``, nothing else of benchlog; a bench is reached through its sockets only, as any other.
Promises: the same truth, seed and script show the same at the same time, however often they are asked; its time
factor holds for its own addresses and no others (``lease``); it ends with the process that started it.
"""
