"""A bad network: a proxy between a cage or an office and its store.

Imported by the checks beside it. Passes on what comes, through a socket in a folder of its own or over TCP at a port of this machine; what is
encrypted stays so. What it does to that: each piece comes later; now and then one stalls, as a lost segment does to those behind it;
connections break at a random byte; all of them fall silent, without an end that either side would see.
"""

import asyncio
import pathlib
import random
import shutil
import tempfile
import threading
import time

PIECE = 1 << 14


class Network(threading.Thread):
    """Goes from its making to `end`. `to` is the folder of a server's socket, or its TCP port; the near side is of the same kind."""

    def __init__(self, to, one_way_secs=0.0, stalls=0.0, cut_bytes=None, seed=5):
        super().__init__(daemon=True)
        self.to, self.wait, self.stalls, self.cut_bytes = to, one_way_secs, stalls, cut_bytes
        self.dice = random.Random(seed)
        self.pieces = self.cuts = self.stalled = self.silenced = 0
        self.is_silent = self.is_down = False
        self.folder = None if isinstance(to, int) else pathlib.Path(tempfile.mkdtemp(prefix="cagehand-net-"))
        self.port = None
        self.moved, self.is_up = threading.Condition(), threading.Event()
        self.start()
        if not self.is_up.wait(10):
            raise RuntimeError("the proxy does not begin")

    def run(self):
        self.loop = asyncio.new_event_loop()
        # What breaks with a connection is broken on purpose.
        self.loop.set_exception_handler(lambda *_: None)
        self.loop.run_until_complete(self.begin())
        self.loop.run_forever()

    async def begin(self):
        if self.folder:
            await asyncio.start_unix_server(self.pass_on, self.folder / ".s.PGSQL.5432", limit=1 << 20)
        else:
            server = await asyncio.start_server(self.pass_on, "127.0.0.1", 0, limit=1 << 20)
            self.port = server.sockets[0].getsockname()[1]
        self.is_up.set()

    def end(self):
        def give_up():
            for task in asyncio.all_tasks(self.loop):
                task.cancel()
            self.loop.call_later(0.1, self.loop.stop)

        self.loop.call_soon_threadsafe(give_up)
        self.join(5)
        if self.folder:
            shutil.rmtree(self.folder, ignore_errors=True)

    def wait_for(self, pieces, secs):
        """Whether so many pieces more went through within the time."""
        with self.moved:
            wanted = self.pieces + pieces
            return self.moved.wait_for(lambda: self.pieces >= wanted, secs)

    async def pass_on(self, near, to_near):
        if self.is_down:
            to_near.transport.abort()
            return
        try:
            if self.folder:
                far, to_far = await asyncio.open_unix_connection(f"{self.to}/.s.PGSQL.5432", limit=1 << 20)
            else:
                far, to_far = await asyncio.open_connection("127.0.0.1", self.to, limit=1 << 20)
        except OSError:
            to_near.transport.abort()
            return
        left = [self.dice.expovariate(1 / self.cut_bytes)] if self.cut_bytes else [float("inf")]
        life = {"left": left[0], "is_dead": False}
        ways = [asyncio.create_task(self.one_way(near, to_far, life)), asyncio.create_task(self.one_way(far, to_near, life))]
        try:
            await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)
            # The other side hears of it, also in the middle of what it sends.
            await asyncio.wait(ways, timeout=self.wait + 0.2)
        finally:
            for way in ways:
                way.cancel()
            for writer in (to_near, to_far):
                writer.transport.abort()

    async def one_way(self, reader, writer, life):
        due = asyncio.Queue()

        async def late():
            while True:
                at, part = await due.get()
                await asyncio.sleep(max(0, at - time.monotonic()))
                if not part:
                    return
                writer.write(part)
                await writer.drain()

        sending = asyncio.create_task(late())
        at = 0.0
        try:
            while part := await reader.read(PIECE):
                if self.is_silent or life["is_dead"]:
                    # Neither side ever hears of the other again, and neither is told that it is over.
                    self.silenced += not life["is_dead"]
                    life["is_dead"] = True
                    continue
                at = max(at, time.monotonic() + self.wait)
                if self.dice.random() < self.stalls:
                    # What is behind a lost segment waits until it was sent again.
                    at += self.dice.uniform(0.2, 1)
                    self.stalled += 1
                is_cut = len(part) > life["left"]
                part = part[: int(life["left"])] if is_cut else part
                life["left"] -= len(part)
                if part:
                    await due.put((at, part))
                with self.moved:
                    self.pieces += 1
                    self.moved.notify_all()
                if is_cut:
                    self.cuts += 1
                    break
            if life["is_dead"]:
                await asyncio.Event().wait()
            await due.put((at, b""))
            await sending
        except (ConnectionError, OSError):
            pass
        finally:
            sending.cancel()
