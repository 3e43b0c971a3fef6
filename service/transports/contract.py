"""The test suite that every transport has to pass, ours or foreign.

Use it in your own tests: subclass `TransportContract`, and give the three methods. It needs nothing but assertions.

    class TestMine(TransportContract):
        def transport(self): return MyTransport.from_options({...})
        def envelope(self, key): return ...
        def arrived(self): return [...]   # the keys that the far side really has, in order of arrival
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

from service.domain.message import Envelope, Outcome, Result
from service.transports.port import Transport, connections_of


class TransportContract:
    """What the service relies on."""

    def transport(self) -> Transport:
        """A working transport."""
        raise NotImplementedError

    def envelope(self, key: str) -> Envelope:
        """A message that the transport can carry, with this key."""
        raise NotImplementedError

    def arrived(self) -> list[str]:
        """The keys of what arrived at the far side so far."""
        raise NotImplementedError

    def test_an_accepted_message_has_arrived(self) -> None:
        """ACCEPTED is said only when the next hop really has it."""
        transport = self.transport()
        outcome = transport.send(self.envelope("a" * 32))
        transport.close()
        assert isinstance(outcome, Outcome)
        assert outcome.result is Result.ACCEPTED, outcome.detail
        assert outcome.detail
        assert self.arrived() == ["a" * 32]

    def test_the_key_tells_two_messages_apart_and_a_repeat_keeps_its_key(self) -> None:
        """A repeat of a message can be recognised by the far side."""
        transport = self.transport()
        for key in ("a" * 32, "b" * 32, "a" * 32):
            assert transport.send(self.envelope(key)).result is Result.ACCEPTED
        transport.close()
        assert set(self.arrived()) == {"a" * 32, "b" * 32}

    def test_as_many_at_once_as_it_says_it_can_carry_all_arrive_once(self) -> None:
        """`connections` is a promise: so many threads may call `send` at the same time."""
        transport = self.transport()
        keys = [f"{number:032d}" for number in range(3 * connections_of(transport))]
        with ThreadPoolExecutor(connections_of(transport)) as pool:
            outcomes = list(pool.map(lambda key: transport.send(self.envelope(key)), keys))
        transport.close()
        assert [outcome.result for outcome in outcomes] == [Result.ACCEPTED] * len(keys)
        assert sorted(self.arrived()) == keys

    def test_after_closing_a_send_is_answered_and_raises_nothing(self) -> None:
        """A hand-over that begins while the service stops ends as an outcome, never as an exception."""
        transport = self.transport()
        transport.close()
        assert isinstance(transport.send(self.envelope("c" * 32)), Outcome)
        transport.close()

    def test_closing_twice_does_no_harm(self) -> None:
        """The service closes what it opened, also after an error."""
        transport = self.transport()
        transport.close()
        transport.close()
