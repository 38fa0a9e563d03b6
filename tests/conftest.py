"""Fixtures of all tests: a real broker, and a guard against things left behind."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack

import pytest

from crosslay.testing.broker import BrokerKind, BrokerProgram, RunningBroker, find_broker, running_broker
from leaks import Holdings, leaked_since


@pytest.fixture(autouse=True)
def leak_guard(request: pytest.FixtureRequest) -> Iterator[None]:
    """Fail a test that leaves a thread, a socket, a file or a child process behind.

    Fixtures of wider scope are set up before this one and taken down after it, so what they hold does not count.
    """
    before = Holdings.now()
    yield
    # pytest still holds the values of fixtures that are finished; what lives only through that is no leak.
    request.node.funcargs.clear()
    left = leaked_since(before)
    if left:
        pytest.fail(f"the test left behind: {'; '.join(left)}", pytrace=False)


@pytest.fixture(scope="session")
def broker_program() -> BrokerProgram:
    """A mosquitto, fetched where none is installed. Without one the tests of the bus fail: they are not optional."""
    program = find_broker()
    if program.kind is not BrokerKind.MOSQUITTO:
        pytest.fail(f"these tests need mosquitto (MQTT 5), found only {program}; apt-get install mosquitto")
    return program


@pytest.fixture
def broker(broker_program: BrokerProgram) -> Iterator[RunningBroker]:
    """A broker of the test's own, on a free port of loopback."""
    with running_broker(broker_program) as running:
        yield running


@pytest.fixture(scope="module")
def module_broker(broker_program: BrokerProgram) -> Iterator[RunningBroker]:
    """One broker for all tests of a module, for those that change nothing in it."""
    with running_broker(broker_program) as running:
        yield running


@pytest.fixture
def start_broker(broker_program: BrokerProgram) -> Iterator[Callable[..., RunningBroker]]:
    """Start brokers with lines of configuration of the test's own; all end with the test."""
    with ExitStack() as stack:
        def start(config_extra: str = "", port: int | None = None) -> RunningBroker:
            return stack.enter_context(running_broker(broker_program, port, config_extra))

        yield start
