"""The process that is Prefect's server while a box is worked on; `flows.server` starts it and ends it.

It is given the listening socket, so no other program can take its port meanwhile, and it leaves at once when its
standard input ends, which happens when feltpad is gone, however that came about.
"""

from __future__ import annotations

import gc
import os
import socket
import sys
import threading

GRACE_S = 2


def serve() -> None:
    """Serve on the socket whose descriptor is the first argument, until told to end or until the parent is gone."""
    threading.Thread(target=_leave_with_the_parent, daemon=True).start()
    listening = socket.socket(fileno=int(sys.argv[1]))

    gc.disable()  # importing makes much that stays and nothing to collect: a third of the 2.3 s goes into looking
    import uvicorn
    from prefect.server.api.server import create_app

    app = create_app()
    gc.freeze()
    gc.enable()
    settings = uvicorn.Config(app, log_config=None, lifespan="on", timeout_graceful_shutdown=GRACE_S)
    uvicorn.Server(settings).run(sockets=[listening])


def _leave_with_the_parent() -> None:
    while os.read(0, 1024):
        continue
    os._exit(1)
