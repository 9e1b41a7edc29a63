"""The local socket, both ends of it: what the command line and the daemon say to each other, and nobody further away.

One request a connection in, one answer out. The socket is a file in the state directory.
"""

from dosingd.control.call import ask
from dosingd.control.place import CONTROL_NAME
from dosingd.control.server import BOUNDS, Bounds, ControlSocket

__all__ = ["BOUNDS", "CONTROL_NAME", "Bounds", "ControlSocket", "ask"]
