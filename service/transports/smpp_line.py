"""How does the transport come by a line to its message centre, and keep it?"""

from __future__ import annotations

import logging
import math
import socket
import ssl
from collections.abc import Callable
from threading import Event, Lock, Thread, current_thread
from time import monotonic

from service.transports.smpp_options import SmppOptions
from service.transports.smpp_pdu import Command, Pdu, bind_body, status_name
from service.transports.smpp_session import NoAnswerError, NotWrittenError, Session, shut

log = logging.getLogger("service.transports.smpp")

CONNECT_SECONDS = 4.0
"""For reaching the centre; short, so that closing never takes longer than 5 seconds."""
LONGEST_PAUSE_SECONDS = 60.0
"""Pauses double from 1 second up to this, after a line that could not be had and after "throttled"."""


class Pause:
    """A pause that doubles each time it was not enough."""

    def __init__(self) -> None:
        self._lock, self._times, self._until = Lock(), 0, 0.0

    def left(self) -> int:
        """Whole seconds to wait, 0 when there is no pause."""
        return max(0, math.ceil(self._until - monotonic()))

    def longer(self) -> int:
        """Begin a pause, twice as long as the last; several answers that ask for one begin one. Returns seconds."""
        with self._lock:
            if monotonic() >= self._until:
                self._until = monotonic() + min(2.0**self._times, LONGEST_PAUSE_SECONDS)
                self._times = min(self._times + 1, 10)
        return max(1, self.left())

    def over(self) -> None:
        """It works again."""
        with self._lock:
            if monotonic() >= self._until:
                self._times = 0


class _Opening:
    """The connection that is being made, so that closing need not wait for it."""

    def __init__(self) -> None:
        self._line: socket.socket | None = None

    def now(self, line: socket.socket | None) -> None:
        self._line = line

    def interrupt(self) -> None:
        if self._line is not None:
            shut(self._line)


class CentreLine:
    """One line at a time, made when first needed and made anew when it broke.

    `deliver` is called with each deliver_sm and `tick` every second or so, both by the thread that reads the line.
    `current` is the newest session, up or not; `closed` is set once no line shall be made any more.
    """

    def __init__(
        self,
        options: SmppOptions,
        context: ssl.SSLContext | None,
        deliver: Callable[[Session, Pdu], None],
        tick: Callable[[], None],
    ) -> None:
        self._options, self._context, self._deliver, self._tick = options, context, deliver, tick
        self._bind = bind_body(options.system_id, options.password, options.system_type)
        self.closed = Event()
        self.current: Session | None = None
        self._connecting, self._opening = Lock(), _Opening()
        self._no_line = Pause()
        self._keeper: Thread | None = None

    def session(self) -> Session:
        """The line that is up, or a new one. Raises NotWrittenError."""
        with self._connecting:
            if self.closed.is_set():
                raise NotWrittenError("the transport is closed")
            if self.current is not None and not self.current.ended.is_set():
                return self.current
            if left := self._no_line.left():
                raise NotWrittenError("no line to the message centre; waiting before the next try", left)
            try:
                session = self._open()
            except (OSError, UnicodeError, NotWrittenError, NoAnswerError) as failed:
                detail = f"no line to the message centre: {failed}"
                raise NotWrittenError(detail, self._no_line.longer()) from failed
            self._no_line.over()
            self.current = session
            if self.closed.is_set():  # closed while we bound
                session.end("the transport was closed")
                session.join(1.0)
                raise NotWrittenError("the transport is closed")
            return session

    def _open(self) -> Session:
        options = self._options
        line = socket.create_connection((options.host, options.port), timeout=CONNECT_SECONDS)
        try:
            self._opening.now(line)
            line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            if self._context is not None:
                secure = self._context.wrap_socket(line, server_hostname=options.host, do_handshake_on_connect=False)
                line = secure
                self._opening.now(line)
                secure.do_handshake()
        except BaseException:
            line.close()
            raise
        session = Session(line, options, self._deliver, self._tick)
        session.start()
        try:
            if self.closed.is_set():
                raise NotWrittenError("the transport is closed")
            answer = session.ask(Command.BIND_TRANSCEIVER, self._bind, float(options.response_timeout))
            if answer.status:
                raise NotWrittenError(f"it refused the sign-in: {status_name(answer.status)}")
        except (NotWrittenError, NoAnswerError):
            session.end("the sign-in failed")
            session.join(1.0)
            raise
        finally:
            self._opening.now(None)
        return session

    def keep(self) -> None:
        """From now on hold a line up, so that receipts and answers come in while nothing is sent."""
        if self._keeper is None and not self.closed.is_set():
            self._keeper = Thread(target=self._keep, name="smpp-keeper", daemon=True)
            self._keeper.start()

    def close(self, deadline: float) -> None:
        """Wait shortly for answers under way, unbind and let go; `deadline` is a moment of the monotonic clock."""
        self.closed.set()
        self._opening.interrupt()
        session = self.current
        if session is not None:
            session.leave(deadline - 1.0)
            session.join(max(0.1, deadline - monotonic()))
        if self._keeper is not None and self._keeper is not current_thread():
            self._keeper.join(max(0.1, deadline - monotonic()))

    def _keep(self) -> None:
        """Hold a line up, so that receipts and answers come in while nothing is sent."""
        while not self.closed.is_set():
            try:
                session = self.session()
            except NotWrittenError as lost:
                log.warning("%s", lost)
                self.closed.wait(lost.retry_after or 1)
            else:
                session.ended.wait()
