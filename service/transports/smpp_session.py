"""How is one bound connection to a message centre written, read and kept alive?

What an answer is worth: a PDU that was not wholly written was surely not taken; one that was written and never answered
may have been.
"""

from __future__ import annotations

import itertools
import logging
import selectors
import socket
import ssl
from collections import OrderedDict
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field, replace
from threading import Event, Lock, Thread, current_thread
from time import monotonic

from service.transports.smpp_options import SmppOptions
from service.transports.smpp_pdu import LAST_SEQUENCE, RESPONSE, Command, Pdu, PduError, PduStream, Status

log = logging.getLogger("service.transports.smpp")

MOST_WAITING = 200
"""Receipts that wait for their text's answer, and unanswered questions."""


class NotWrittenError(Exception):
    """The PDU was surely not wholly written."""

    def __init__(self, message: str, retry_after: int | None = None) -> None:
        self.retry_after = retry_after
        super().__init__(message)


class NoAnswerError(Exception):
    """The PDU was written and no answer came."""


@dataclass(slots=True, kw_only=True, eq=False)
class _Question:
    """A PDU of ours that waits for its answer; `heard` is called by the reading thread, also when it comes late."""

    command: int
    heard: Callable[[Pdu], None] | None
    done: Event = field(default_factory=Event)
    answer: Pdu | None = None
    given_up: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Held:
    """A deliver_sm that is not answered yet. `settle(last)` answers it if it can; it must when `last` is true."""

    pdu: Pdu
    until: float
    settle: Callable[[bool], bool]
    group: object | None = None


class Session:
    """One bound connection and the thread that reads it.

    The socket never blocks, and each call on it is made under one lock: a TLS connection must not be read and written
    at the same moment. `ended` is set when the line is gone.
    """

    _serials = itertools.count(1)

    def __init__(
        self,
        line: socket.socket,
        options: SmppOptions,
        deliver: Callable[[Session, Pdu], None],
        tick: Callable[[], None],
    ) -> None:
        line.setblocking(False)
        self._line, self._options, self._deliver, self._tick = line, options, deliver, tick
        self.serial = next(self._serials)
        self.ended = Event()
        self._ending, self._why = Event(), ""
        self._calling, self._writing = Lock(), Lock()
        self._lock, self._sequence = Lock(), 0
        self._questions: OrderedDict[int, _Question] = OrderedDict()
        self._held: list[Held] = []
        self._stream = PduStream()
        self._last_heard, self._probed = monotonic(), 0.0
        self._reader = Thread(target=self._read, name="smpp-reader", daemon=True)

    def start(self) -> None:
        """Begin to read."""
        self._reader.start()

    def ask(self, command: Command, body: bytes, timeout: float, heard: Callable[[Pdu], None] | None = None) -> Pdu:
        """Send one PDU and wait for its answer, at most `timeout` seconds.

        Raises:
            NotWrittenError: it surely did not go out whole.
            NoAnswerError: it went out, and no answer came.
        """
        if current_thread() is self._reader:
            raise NotWrittenError("a callback of receive must not send: it is called by the thread that hears answers")
        question = _Question(command=command, heard=heard)
        self._write(self._number(question), body, question)
        if not question.done.wait(timeout) and question.answer is None:
            question.given_up = True
            raise NoAnswerError(f"no answer came within {timeout:g} seconds")
        if question.answer is None:
            raise NoAnswerError(f"the line broke before an answer came: {self._why}")
        return question.answer

    def reply(self, pdu: Pdu, status: Status = Status.ESME_ROK) -> None:
        """Answer one PDU of the far side."""
        body = b"\0" if pdu.command == Command.DELIVER_SM else b""
        self._say(Pdu(command=pdu.command | RESPONSE, sequence=pdu.sequence, status=status, body=body))

    def hold(self, held: Held) -> None:
        """Keep a deliver_sm unanswered for a while. Called by the reading thread, as are the next two."""
        self._held.append(held)

    def let_go(self, group: object) -> list[Pdu]:
        """The unanswered parts of a text, which the caller answers now."""
        found = [held.pdu for held in self._held if held.group is group]
        self._held = [held for held in self._held if held.group is not group]
        return found

    @property
    def full(self) -> bool:
        """Whether nothing more should be held."""
        return len(self._held) >= MOST_WAITING

    def leave(self, deadline: float) -> None:
        """Wait for the answers under way, unbind, and end the line."""
        while self._waiting() and monotonic() < deadline - 1.0 and not self.ended.wait(0.01):
            pass
        with suppress(NotWrittenError, NoAnswerError):
            self.ask(Command.UNBIND, b"", max(0.1, min(1.0, deadline - monotonic())))
        self.end("we closed it")

    def end(self, why: str) -> None:
        """Cut the line. The reading thread then tidies up."""
        self._why = self._why or why
        self._ending.set()
        shut(self._line)

    def join(self, timeout: float) -> None:
        """Wait for the reading thread."""
        if self._reader is not current_thread():
            self._reader.join(timeout)

    def _waiting(self) -> bool:
        with self._lock:
            return any(not question.given_up for question in self._questions.values())

    def _number(self, question: _Question) -> int:
        with self._lock:
            if self._ending.is_set():
                raise NotWrittenError(f"the line is gone: {self._why}")
            self._sequence = self._sequence % LAST_SEQUENCE + 1
            self._questions[self._sequence] = question
            if len(self._questions) > MOST_WAITING + self._options.window:
                self._questions.popitem(last=False)
            return self._sequence

    def _write(self, sequence: int, body: bytes, question: _Question) -> None:
        try:
            self._put(Pdu(command=question.command, sequence=sequence, body=body).encode())
        except OSError as failed:
            with self._lock:
                self._questions.pop(sequence, None)
            self.end(str(failed))
            raise NotWrittenError(f"the line broke before the text was sent: {failed}") from failed

    def _say(self, pdu: Pdu) -> None:
        try:
            self._put(pdu.encode())
        except OSError as failed:
            self.end(str(failed))

    def _put(self, octets: bytes) -> None:
        """Write it all, or raise OSError: then the far side has half a PDU at most, which it cannot act on."""
        deadline = monotonic() + self._options.response_timeout
        with self._writing:
            while octets:
                with self._calling:
                    if self._ending.is_set():
                        raise OSError("the line is gone")
                    try:
                        written = self._line.send(octets)
                    except (BlockingIOError, ssl.SSLWantWriteError, ssl.SSLWantReadError):
                        written = 0
                octets = octets[written:]
                if octets and not written:
                    if monotonic() > deadline:
                        raise TimeoutError("the far side does not read")
                    self._ending.wait(0.01)

    def _read(self) -> None:
        try:
            with selectors.DefaultSelector() as selector:
                selector.register(self._line, selectors.EVENT_READ)
                while not self._ending.is_set():
                    selector.select(self._patience())
                    while (octets := self._get()) is not None:
                        for pdu in self._stream.feed(octets):
                            self._hear(pdu)
                            self._settle()
                        self._keep_alive()
                    self._settle()
                    self._keep_alive()
                    self._tick()
        except PduError as wrong:
            self._say(Pdu(command=Command.GENERIC_NACK, sequence=0, status=wrong.status))
            self.end(f"what came in is not SMPP: {wrong}")
        except OSError as failed:
            self.end(str(failed))
        except Exception as fault:
            log.exception("the line's reader failed")
            self.end(f"a fault in the service: {type(fault).__name__}")
        finally:
            self._finish()

    def _finish(self) -> None:
        self._ending.set()
        with self._calling:
            self._line.close()
        with self._lock:
            left = list(self._questions.values())
            self._questions.clear()
        self.ended.set()
        for question in left:
            question.done.set()
        log.info("line %d to the message centre ended: %s", self.serial, self._why)

    def _get(self) -> bytes | None:
        """What is there to read now; None when nothing is. Raises OSError at the end."""
        with self._calling:
            if self._ending.is_set():
                return None
            try:
                octets = self._line.recv(65536)
            except (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
                return None
        if not octets:
            raise ConnectionError("the far side closed it")
        return octets

    def _patience(self) -> float:
        """Seconds until there is something to do although nothing comes in."""
        if self._held:
            return 0.05
        since = (
            self._probed + self._options.response_timeout
            if self._probed
            else (self._last_heard + self._options.enquire_link)
        )
        return min(1.0, max(0.0, since - monotonic()))

    def _settle(self) -> None:
        """Answer what was held and can be answered now."""
        now = monotonic()
        for held in list(self._held):
            if held in self._held and held.settle(now >= held.until):
                self._held = [each for each in self._held if each is not held]

    def _keep_alive(self) -> None:
        now = monotonic()
        if self._probed:
            if now - self._probed > self._options.response_timeout:
                raise TimeoutError("the far side gave no sign of life")
        elif now - self._last_heard >= self._options.enquire_link:
            self._probed = now
            question = _Question(command=Command.ENQUIRE_LINK, heard=None, given_up=True)
            with suppress(NotWrittenError):
                self._write(self._number(question), b"", question)

    def _hear(self, pdu: Pdu) -> None:
        self._last_heard, self._probed = monotonic(), 0.0
        if pdu.command & RESPONSE:
            self._answered(pdu)
        elif pdu.command == Command.DELIVER_SM:
            self._deliver(self, pdu)
        elif pdu.command == Command.ENQUIRE_LINK:
            self.reply(pdu)
        elif pdu.command == Command.UNBIND:
            self.reply(pdu)
            self.end("the message centre unbound")
        elif pdu.command != Command.ALERT_NOTIFICATION:  # which has no answer
            status = Status.ESME_RINVCMDID
            self._say(Pdu(command=Command.GENERIC_NACK, sequence=pdu.sequence, status=status))

    def _answered(self, pdu: Pdu) -> None:
        with self._lock:
            question = self._questions.get(pdu.sequence)
            if question is None or pdu.command not in (question.command | RESPONSE, Command.GENERIC_NACK):
                log.warning("an answer that fits no question: command 0x%08X", pdu.command)
                return
            del self._questions[pdu.sequence]
        if pdu.command == Command.GENERIC_NACK and not pdu.status:
            pdu = replace(pdu, status=Status.ESME_RSYSERR)  # a refusal must not pass for a yes
        if question.heard is not None:
            question.heard(pdu)
        question.answer = pdu
        question.done.set()


def shut(line: socket.socket) -> None:
    """Stop both directions, so that a thread that waits on the line wakes up. TLS is passed by on purpose."""
    with suppress(OSError):
        socket.socket.shutdown(line, socket.SHUT_RDWR)
