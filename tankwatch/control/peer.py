"""Who is at the other end of a Unix socket, as the kernel knows it."""

import os
import socket
import struct


def peer_uid(connection: socket.socket) -> int | None:
    """Return the user id at the other end, or None where the system cannot tell.

    There the modes of the socket and its folder stand alone.
    """
    if not hasattr(socket, "SO_PEERCRED"):
        return None
    credentials = connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i"))
    _pid, uid, _gid = struct.unpack("3i", credentials)
    return int(uid)


def is_trusted(uid: int | None) -> bool:
    """Tell whether a user may be talked to: ourselves, and the administrator."""
    return uid is None or uid in {0, os.getuid()}
