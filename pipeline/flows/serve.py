"""A private Prefect server that dies with the run that started it.

Started as ``python -m pipeline.flows.serve`` in a session of its own, so that Ctrl-C in the terminal does not
reach it before the run has told it how things ended. It prints its port, and ends when its standard input does:
that is a pipe held by the run alone, so even a run that is killed leaves nothing behind.
"""

import os
import socket
import sys
import threading
import time


def main() -> None:
    """Serves until standard input ends."""
    import uvicorn
    from prefect.server.api.server import create_app

    listener = socket.socket()
    listener.bind(("127.0.0.1", 0))
    config = uvicorn.Config(create_app, factory=True, log_level="critical", lifespan="on")
    server = uvicorn.Server(config)

    def wait_for_end() -> None:
        sys.stdin.buffer.read()
        server.should_exit = server.force_exit = True
        time.sleep(3.0)
        os._exit(0)

    threading.Thread(target=wait_for_end, daemon=True).start()
    print(listener.getsockname()[1], flush=True)
    server.run(sockets=[listener])
    os._exit(0)


if __name__ == "__main__":
    main()
