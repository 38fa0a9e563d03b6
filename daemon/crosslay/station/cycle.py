"""The cycle of one station as an explicit state machine."""

from __future__ import annotations

import enum
import threading

from crosslay.errors import CrosslayError


class State(enum.Enum):
    """Where the present part stands."""

    IDLE = "idle"
    WAITING = "waiting"
    CAPTURING = "capturing"
    EVALUATING = "evaluating"
    DECIDING = "deciding"
    FAULT = "fault"
    STOPPING = "stopping"


class Event(enum.Enum):
    """What moves a part on."""

    GAUGE_OPENED = "gauge opened"
    TRAVERSE_STARTED = "traverse started"
    TRACE_ARRIVED = "trace arrived"
    EVALUATED = "evaluated"
    FINISHED = "finished"
    ABANDONED = "abandoned"
    GAUGE_LOST = "gauge lost"
    STOP = "stop"


_RUNNING = (State.WAITING, State.CAPTURING, State.EVALUATING, State.DECIDING)

#: Every transition there is. The gauge may start on the next part while the one before is still being stored: then the
#: cycle follows the new part, and the verdict of the old one no longer lights anything.
TRANSITIONS: dict[tuple[State, Event], State] = {
    (State.IDLE, Event.GAUGE_OPENED): State.WAITING,
    (State.FAULT, Event.GAUGE_OPENED): State.WAITING,
    (State.IDLE, Event.GAUGE_LOST): State.FAULT,
    (State.FAULT, Event.GAUGE_LOST): State.FAULT,
    **{(state, Event.TRAVERSE_STARTED): State.CAPTURING for state in _RUNNING},
    **{(state, Event.TRACE_ARRIVED): State.EVALUATING for state in _RUNNING},
    (State.EVALUATING, Event.EVALUATED): State.DECIDING,
    # A part whose other traces never came is judged without a new trace.
    (State.WAITING, Event.EVALUATED): State.DECIDING,
    (State.CAPTURING, Event.EVALUATED): State.CAPTURING,
    # What follows the verdict failed unexpectedly and is tried again from the beginning.
    (State.DECIDING, Event.EVALUATED): State.DECIDING,
    **{(state, Event.FINISHED): State.WAITING for state in (State.WAITING, State.EVALUATING, State.DECIDING)},
    (State.CAPTURING, Event.FINISHED): State.CAPTURING,
    # What the gauge delivered was no trace; a part before it may still be on its way.
    **{(state, Event.ABANDONED): State.WAITING for state in (State.WAITING, State.CAPTURING)},
    **{(state, Event.ABANDONED): state for state in (State.EVALUATING, State.DECIDING)},
    **{(state, Event.GAUGE_LOST): State.FAULT for state in _RUNNING},
    # The recorder may finish a part after its gauge was lost.
    (State.FAULT, Event.EVALUATED): State.FAULT,
    (State.FAULT, Event.FINISHED): State.FAULT,
    (State.IDLE, Event.STOP): State.STOPPING,
    (State.FAULT, Event.STOP): State.STOPPING,
    **{(state, Event.STOP): State.STOPPING for state in _RUNNING},
    **{(State.STOPPING, event): State.STOPPING for event in Event},
}


class Cycle:
    """The present state; any thread may report an event."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._state = State.IDLE

    @property
    def state(self) -> State:
        """Where the cycle stands."""
        return self._state

    def on(self, event: Event) -> State:
        """Move on.

        Raises
        ------
        CrosslayError
            There is no such transition: a fault of this program, for the supervisor.
        """
        with self._lock:
            target = TRANSITIONS.get((self._state, event))
            if target is None:
                raise CrosslayError(f"the cycle cannot take '{event.value}' while {self._state.value}")
            self._state = target
            return target
