"""The command `breathmap` as a process of its own, without waiting for it to load.

A server has loaded it and forks for every call, with the caller's folder, variables and streams.
What a page types ten times takes a tenth of the time so.
"""

import json
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

CLIENT = """#!{python} -ES
import json, os, socket, sys
server = socket.socket(socket.AF_UNIX)
server.connect({place!r})
call = json.dumps([sys.argv[1:], os.getcwd(), dict(os.environ)])
socket.send_fds(server, [call.encode()], [0, 1, 2])
code = server.recv(1)
sys.exit(code[0] if code else 70)
"""


@contextmanager
def forking(folder: Path, environment: dict[str, str]) -> Iterator[None]:
    """Put a program `breathmap` into a folder that works as long as this lasts."""
    place, client = folder / "calls", folder / "breathmap"
    client.write_text(CLIENT.format(python=sys.executable, place=str(place)))
    client.chmod(0o755)
    command = [sys.executable, str(Path(__file__).resolve()), str(place)]
    with subprocess.Popen(
        command, env=environment, stdout=subprocess.PIPE, start_new_session=True
    ) as server:
        assert server.stdout is not None
        assert server.stdout.readline() == b"ready\n"
        try:
            yield
        finally:
            # Whoever still serves a port goes with it.
            os.killpg(server.pid, signal.SIGTERM)


def serve(place: str) -> None:
    """Load the program, and fork for whoever calls."""
    from breathmap.tools.cli.main import whole

    whole()
    server = socket.socket(socket.AF_UNIX)
    server.bind(place)
    server.listen()
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    os.write(1, b"ready\n")
    while True:
        connection, _ = server.accept()
        data, streams, _, _ = socket.recv_fds(connection, 1 << 20, 3)
        if os.fork() == 0:
            signal.signal(signal.SIGCHLD, signal.SIG_DFL)
            answer(connection, json.loads(data), streams)
        for stream in streams:
            os.close(stream)
        connection.close()


def answer(connection: socket.socket, call: list[object], streams: list[int]) -> None:
    """Run one call in a process of its own, and end it."""
    from breathmap.tools.cli.main import run

    arguments, folder, variables = call
    os.chdir(str(folder))
    os.environ.clear()
    os.environ.update(dict(variables))  # type: ignore[call-overload]
    for number, stream in enumerate(streams):
        os.dup2(stream, number)
    code = 70
    try:
        code = run(list(arguments))  # type: ignore[call-overload]
        sys.stdout.flush()
        sys.stderr.flush()
    finally:
        connection.sendall(bytes([code]))
        os._exit(code)


if __name__ == "__main__":
    serve(sys.argv[1])
