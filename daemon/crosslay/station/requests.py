"""What a person asks of a running station at the machine: small files in ``STATE_DIR/requests``, one per request."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from crosslay.station.orders import Asked, is_order, read_order

FOLDER = "requests"
_PREFIX = "requeue-"
_EVERY_S = 1.0


class RequestFolder:
    """Looks for requests once a second; whoever may write the state directory may ask."""

    def __init__(
        self, state_dir: Path, requeue: Callable[[int], None], ask: Callable[[Asked], None] = lambda _asked: None
    ) -> None:
        self._folder = state_dir / FOLDER
        self._requeue = requeue
        self._ask = ask
        self._next_at = 0.0

    def poll(self, now: float) -> None:
        """Take what is there; `now` in monotonic seconds."""
        if now < self._next_at:
            return
        self._next_at = now + _EVERY_S
        try:
            requests = list(self._folder.iterdir())
        except OSError:
            return
        for request in requests:
            number = request.name.removeprefix(_PREFIX)
            if number != request.name and number.isascii() and number.isdigit() and len(number) < 19:
                self._requeue(int(number))
            order = read_order(request) if is_order(request) else None
            if order is not None:
                self._ask(Asked(order=order, way="machine"))
            if request.name.startswith("."):
                continue  # somebody is still writing it
            request.unlink(missing_ok=True)


def leave_request(state_dir: Path, sequence: int) -> Path:
    """Ask a running station to queue a result again; the file goes when the station has taken it."""
    folder = state_dir / FOLDER
    folder.mkdir(mode=0o750, exist_ok=True)
    request = folder / f"{_PREFIX}{sequence}"
    request.touch()
    return request
