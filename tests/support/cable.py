"""A network cable between two namespaces of the kernel's network: it can be pulled like a real one.

The test's own sockets are on the ``NEAR`` side and programs on the ``FAR`` side. A pulled cable
sends nothing: no end of a connection, no refusal. Nothing of it can reach another network.
"""

from __future__ import annotations

import ctypes
import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

NEAR, FAR = "192.0.2.1", "192.0.2.2"
"""Addresses of both ends; the range is for documentation (RFC 5737) and is not routed."""

CLONE_NEWNET = 0x4000_0000  # linux/sched.h
LIBC = ctypes.CDLL(None, use_errno=True)


class Cable:
    """A cable that is plugged in."""

    def __init__(self, name: str) -> None:
        self._near, self._far = f"{name}n", f"{name}f"

    def command(self, *arguments: str) -> list[str]:
        """A command line that runs a program on the far side."""
        return ["ip", "netns", "exec", self._far, *arguments]

    def pull(self) -> None:
        """Take the far plug out."""
        _ip("-n", self._far, "link", "set", "far", "down")

    def plug(self) -> None:
        """Put it back."""
        _ip("-n", self._far, "link", "set", "far", "up")

    def change_card(self) -> None:
        """Another network card on the far side, as of another device; the cable must be out."""
        _ip("-n", self._far, "link", "set", "far", "address", "02:00:00:00:00:99")

    def _lay(self) -> None:
        for side in (self._near, self._far):
            _ip("netns", "add", side)
            _ip("-n", side, "link", "set", "lo", "up")
        _ip("-n", self._near, *("link", "add", "near", "type", "veth", "peer", "name", "far"))
        _ip("-n", self._near, "link", "set", "far", "netns", self._far)
        for side, card, address in ((self._near, "near", NEAR), (self._far, "far", FAR)):
            _ip("-n", side, "address", "add", f"{address}/30", "dev", card)
            _ip("-n", side, "link", "set", card, "up")

    def _remove(self) -> None:
        for side in (self._near, self._far):
            subprocess.run(["ip", "netns", "del", side], capture_output=True, check=False)

    @contextmanager
    def _entered(self) -> Iterator[None]:
        """Let the sockets of this thread be on the near side."""
        with (
            Path("/proc/thread-self/ns/net").open("rb") as home,
            Path(f"/run/netns/{self._near}").open("rb") as near,
        ):
            _enter(near.fileno())
            try:
                yield
            finally:
                _enter(home.fileno())


@contextmanager
def cable() -> Iterator[Cable]:
    """A cable for the length of a test; skips where the machine lets nobody lay one."""
    if shutil.which("ip") is None or os.geteuid() != 0:
        pytest.skip("this machine cannot: make network namespaces without root and ip")
    laid = Cable(f"wp{os.getpid()}")
    try:
        try:
            laid._lay()
        except subprocess.CalledProcessError as exc:
            pytest.skip(f"this machine cannot: make a network namespace ({exc.stderr.strip()})")
        with laid._entered():
            yield laid
    finally:
        laid._remove()


def _ip(*arguments: str) -> None:
    subprocess.run(["ip", *arguments], capture_output=True, text=True, check=True)


def _enter(descriptor: int) -> None:
    if LIBC.setns(descriptor, CLONE_NEWNET):
        raise OSError(ctypes.get_errno(), "setns")
