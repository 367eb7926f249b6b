"""Why a port did not open or went away, in words, with what to do next."""

from __future__ import annotations

import errno

from gauge.errors import PortBusyError, PortError


def why_lost(error: Exception) -> str:
    """Say why the line is down.

    Examples
    --------
    >>> why_lost(OSError(5, "input/output error"))
    'the port went away'
    """
    if isinstance(error, PortError):
        return error.what.rstrip(".")
    return "the port went away"


def refused(device: str, error: Exception) -> PortError:
    """Say why a port did not open, and what to do.

    Examples
    --------
    >>> import errno
    >>> print(refused("COM3", OSError(errno.ENOENT, "no such file")))
    COM3 does not exist. ...
    """
    text = str(error)
    code = getattr(error, "errno", None)
    if code in (errno.EBUSY, errno.EAGAIN) or "lock port" in text:
        return PortBusyError(
            f"{device} is held by another program.", todo="Close it, or unplug and plug in again."
        )
    if code == errno.ENOENT or "FileNotFoundError" in text:
        return PortError(
            f"{device} does not exist.", todo="Plug the gauge in; 'gauge ports' lists the ports."
        )
    if code == errno.ENOTTY or "Inappropriate ioctl" in text or "Is a directory" in text:
        return PortError(
            f"{device} is not a serial port.", todo="'gauge ports' lists those that are there."
        )
    if code in (errno.EACCES, errno.EPERM):
        return PortError(
            f"{device} may not be opened by you.",
            todo="On Linux, join the group that owns it (often 'dialout') and log in again.",
        )
    if "PermissionError" in text:  # Windows names it so for a port that is in use
        return PortBusyError(f"{device} is held by another program.", todo="Close that program.")
    if device.startswith("socket://"):
        return PortError(
            f"{device} does not answer ({text}).", todo="Check host and port, and that it runs."
        )
    return PortError(f"{device} cannot be opened ({text}).", todo="'gauge ports' lists the ports.")
