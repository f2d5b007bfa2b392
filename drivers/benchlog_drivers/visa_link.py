"""A VISA resource as a link, with every wait on our own clock where the library lets us.

Source:   pyvisa-py 0.8.1, ``tcpip.py`` TCPIPSocketSession and ``serial.py`` SerialSession, read and tried.
          On these two a read that times out drops the bytes it has, one from a closed peer spins until the
          time-out, all time-outs follow the host's date, and a refused connection is reported as made. So VISA
          opens, sets and closes them, and bytes go straight through the socket or port it holds.
Not here: a stepped date while pyvisa-py connects to a host that does not answer may still hold up that connect.
Unproven: VISA libraries other than pyvisa-py and pyvisa-sim.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import struct
from typing import Any, cast

import pyvisa
from pyvisa import constants, rname
from pyvisa.resources import MessageBasedResource

from benchlog.driver import LinkLost
from benchlog_drivers.line import Link
from benchlog_drivers.serial_link import PortLink

_CHUNK = 4096
_REPLY = 400  # nearly always all of it; what Python has small memory for is taken and given back sooner


def open_visa(
    address: str, library: str, *, timeout_s: float, read_end: str, line: dict[str, Any], serial_server: bool
) -> Link:
    """A link to a VISA resource. Raises anything.

    Args:
        line: what to set where it is a serial line.
        serial_server: behind a TCP address there is a serial line, whose late answers outlive connections.
    """
    parsed = rname.parse_resource_name(address)
    direct = library.rpartition("@")[2] in ("", "py")
    on_socket = isinstance(parsed, rname.TCPIPSocket)
    if direct and isinstance(parsed, rname.TCPIPSocket):
        # pyvisa-py leaves its socket behind when one of these is wrong; it knows IPv4 only.
        if not 0 < int(parsed.port) < 65536:
            raise LinkLost(f"port {parsed.port} is not one of 1 to 65535")
        socket.getaddrinfo(parsed.host_address, int(parsed.port), socket.AF_INET, socket.SOCK_STREAM)
    manager = pyvisa.ResourceManager(library)
    resource = manager.open_resource(address, open_timeout=max(1, round(timeout_s * 1000)))
    try:
        if not isinstance(resource, MessageBasedResource):
            raise LinkLost(f"{address} is not a resource that takes questions")
        serial = parsed.interface_type_const is constants.InterfaceType.asrl
        for name, value in line.items() if serial else ():
            setattr(resource, name, value)
        if direct and (on_socket or serial):
            session = cast(Any, resource.visalib).sessions[resource.session]
            if on_socket:
                return _SocketLink(resource, session.interface, timeout_s, fresh=not serial_server)
            return PortLink(session.interface, close=resource.close)
        return _AnyLink(resource, timeout_s, read_end, paired=not (on_socket or serial))
    except BaseException:
        resource.close()
        raise


class _SocketLink:
    """The TCP connection that pyvisa-py made."""

    def __init__(self, resource: MessageBasedResource, peer: socket.socket, timeout_s: float, *, fresh: bool) -> None:
        if failed := peer.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR):
            raise OSError(failed, os.strerror(failed))
        self.fresh, self.paired = fresh, False
        self._resource, self._peer, self._timeout_s = resource, peer, timeout_s
        peer.settimeout(None)  # the kernel itself waits for a reply: one call where poll and recv are two
        seconds, part = divmod(round(timeout_s * 1e6), 1_000_000)
        peer.setsockopt(socket.SOL_SOCKET, socket.SO_RCVTIMEO, struct.pack("@ll", seconds, part))
        peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._poll = select.poll()
        self._poll.register(peer.fileno(), select.POLLIN)

    def send(self, data: bytes) -> None:
        if self._peer.send(data, socket.MSG_DONTWAIT) != len(data):  # a question is smaller than any buffer
            raise LinkLost("does not take the question")

    def receive(self, wait_s: float) -> bytes:
        size = _REPLY
        if wait_s != self._timeout_s:
            if not self._poll.poll(wait_s * 1000):
                return b""
            size = _CHUNK
        try:
            data = self._peer.recv(size)
        except BlockingIOError:
            return b""
        if not data:
            raise LinkLost("closed from the other side")
        return data

    def close(self) -> None:
        self._resource.close()


class _AnyLink:
    """Any other resource or library: plain VISA calls, waiting on the library's clock."""

    fresh = False

    def __init__(self, resource: MessageBasedResource, timeout_s: float, read_end: str, *, paired: bool) -> None:
        self._resource, self.paired = resource, paired
        if paired:
            with contextlib.suppress(pyvisa.Error, NotImplementedError):  # a device clear, where there is one
                resource.clear()
        else:
            resource.read_termination = read_end
        self._timeout_ms = -1

    def send(self, data: bytes) -> None:
        self._resource.write_raw(data)

    def receive(self, wait_s: float) -> bytes:
        timeout_ms = round(wait_s * 1000)
        if timeout_ms != self._timeout_ms:
            self._resource.timeout = self._timeout_ms = timeout_ms
        try:
            with self._resource.ignore_warning(constants.StatusCode.success_max_count_read):
                return bytes(self._resource.visalib.read(self._resource.session, _CHUNK)[0])
        except pyvisa.VisaIOError as exc:
            if exc.error_code == constants.StatusCode.error_timeout:
                return b""
            raise

    def close(self) -> None:
        self._resource.close()
