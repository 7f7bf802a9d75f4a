"""Binding, opening the browser, running until stopped."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path

import uvicorn

from tracer.desk.deadlines import DeadlineProtocol
from tracer.desk.gate import LOOPBACK, Gate, Keys
from tracer.desk.jobs import Desk
from tracer.desk.patience import Patience
from tracer.desk.routes import build_routes
from tracer.desk.standing import read_standing, write_standing
from tracer.desk.watching import watch
from tracer.errors import TracerError
from tracer.project.store import JobFolder

__all__ = ["DeskServer", "lan_address"]

MOST_CONNECTIONS = 500  # pages, their streams of news and tiles, phones; beyond: 503


def lan_address() -> str:
    """This computer's address on its network. Nothing is sent.

    Raises
    ------
    TracerError
        ``desk-no-network``.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            # connecting a datagram socket only chooses the way out; the address is one that RFC
            # 5737 sets aside for documentation
            probe.connect(("192.0.2.1", 9))
            return str(probe.getsockname()[0])
        except OSError:
            raise TracerError(
                "desk-no-network",
                "This computer is on no network that a phone could share.",
                "Join the network that the phone is on, then start again.",
            ) from None


@dataclass
class DeskServer:
    """A desk over the jobs of one folder.

    Attributes
    ----------
    root
        Folder in which jobs are found and made.
    job
        Job to open at once.
    port
        0 for any free one.
    lan
        Also let phones on the network in, by links that can only send photos.
    standing
        Where port and keys are noted for the next desk over the folder (`tracer.desk.standing`);
        what an earlier one left there is taken over.
    """

    root: Path
    job: JobFolder | None = None
    port: int = 0
    lan: bool = False
    standing: Path | None = None
    keys: Keys = field(default_factory=Keys)
    patience: Patience = field(default_factory=Patience)
    _server: uvicorn.Server | None = None

    def open(self) -> str:
        """Bind and build; gives the address that opens the desk once.

        Raises
        ------
        TracerError
            ``desk-port-taken``, ``desk-no-network``.
        """
        lan_host = lan_address() if self.lan else None
        before = read_standing(self.standing)
        if before is not None:
            self.keys = before.keys()
        self._socket = self._bound(before.port if before is not None else 0)
        self._socket.listen(64)  # a browser opened now waits until the server answers
        self.keys.port = self._socket.getsockname()[1]
        if self.standing is not None:
            write_standing(self.standing, self.keys)
        self.desk = Desk(self.root)
        open_job = self.desk.add(self.job).job_id if self.job is not None else None
        routes = build_routes(self.desk, self.keys, open_job, lan_host)
        routes.router.lifespan_context = self._lifespan
        self._server = uvicorn.Server(
            uvicorn.Config(
                Gate(routes, self.keys, self.desk.links, lan_host, self.patience),
                http=DeadlineProtocol,
                ws="none",
                proxy_headers=False,  # nothing stands between: what says so is made up
                limit_concurrency=MOST_CONNECTIONS,
                log_level="warning",
                access_log=False,
                server_header=False,
                date_header=False,
                timeout_graceful_shutdown=3,
                h11_max_incomplete_event_size=64 * 1024,
            )
        )
        return f"http://{LOOPBACK}:{self.keys.port}/?key={self.keys.new_key()}"

    def _bound(self, port_before: int) -> socket.socket:
        """A socket on the port that was asked for, else the one before, else any free one."""
        wanted = [self.port] if self.port else [port_before, 0]
        for port in wanted:
            bound = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
            bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                bound.bind(("0.0.0.0" if self.lan else LOOPBACK, port))
            except OSError as error:
                bound.close()
                refusal = error
            else:
                return bound
        raise TracerError(
            "desk-port-taken",
            f"Port {self.port} cannot be used: {refusal.strerror or refusal}.",
            "Name no port to get a free one.",
        ) from None

    @asynccontextmanager
    async def _lifespan(self, _: object) -> AsyncIterator[None]:
        self.desk.hub.attach(asyncio.get_running_loop())
        tasks = [
            asyncio.create_task(self._close_streams()),
            asyncio.create_task(watch(self.desk.known)),
        ]
        try:
            yield
        finally:
            for task in tasks:
                task.cancel()
            self.desk.close()

    async def _close_streams(self) -> None:
        # open event streams would otherwise keep the server from stopping
        while self._server is not None and not self._server.should_exit:
            await asyncio.sleep(0.2)
        self.desk.hub.close()

    def run(self, ready: Callable[[], object] | None = None) -> None:
        """Serve until `stop` or Ctrl-C, which is raised again when all is closed in order."""
        assert self._server is not None, "open() comes first"
        try:
            if ready is not None:
                ready()
            with self._socket:
                self._server.run(sockets=[self._socket])
        finally:
            self.desk.close()

    def stop(self) -> None:
        """Ask the server to end; may be called from any thread."""
        if self._server is not None:
            self._server.should_exit = True
