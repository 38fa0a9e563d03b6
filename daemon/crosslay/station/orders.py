"""What people and the MES ask of the reference checks of a running station, and how a person's request reaches it."""

from __future__ import annotations

import os
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Final, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from crosslay.bus.messages import ReferenceCheckAnswer
from crosslay.bus.reference_messages import MAX_TRACES
from crosslay.errors import StoreError

CHECK: Final = "reference-check"
CANCEL: Final = "reference-check-cancel"
ACCEPT: Final = "correction-accept"
UNDO: Final = "correction-undo"
ACCEPT_CORRELATION: Final = "correlation-accept"
UNDO_CORRELATION: Final = "correlation-undo"
#: Most parts of one study.
MAX_PARTS = 500
_PREFIX = "reference-"
_SUFFIX = ".json"
_MAX_BYTES = 1 << 18
_Word = Annotated[str, Field(max_length=500)]


_Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]


class Laboratory(BaseModel):
    """What the laboratory found on one part, with its expanded uncertainty (k = 2) where it is known."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    part: Annotated[str, Field(min_length=1, max_length=256)]
    value: _Positive
    expanded: _Positive | None = None


class Order(BaseModel):
    """One request; which fields count depends on `name`."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    name: Literal[
        "reference-check", "reference-check-cancel", "correction-accept", "correction-undo", "correlation-accept",
        "correlation-undo",
    ]  # fmt: skip
    request_id: Annotated[str, Field(min_length=1, max_length=64)]
    specimen: _Word = ""
    traces: Annotated[int, Field(ge=1, le=MAX_TRACES)] | None = None
    check_id: _Word = ""
    noise_rq0_um: _Positive | None = None
    callout: _Word = ""
    laboratory: Annotated[tuple[Laboratory, ...], Field(max_length=MAX_PARTS)] = ()
    variance_ratio: _Positive | None = None
    by: _Word = ""
    why: _Word = ""

    def payload(self) -> str:
        """As the store keeps it."""
        return self.model_dump_json(exclude_defaults=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """An order with the way that it came (``bus`` or ``machine``) and whom to answer."""

    order: Order
    way: str
    answer: Callable[[ReferenceCheckAnswer], None] = lambda _answer: None


def new_request_id() -> str:
    """An id for a request made at the machine."""
    return str(uuid.uuid4())


def leave_order(folder: Path, order: Order) -> Path:
    """Put an order where the running station finds it; the file goes when it has been taken.

    Raises
    ------
    StoreError
        The folder cannot be written.
    """
    request = folder / f"{_PREFIX}{order.request_id}-{order.name}{_SUFFIX}"
    draft = folder / f".{request.name}.draft"
    try:
        folder.mkdir(mode=0o750, exist_ok=True)
        draft.write_text(order.model_dump_json(), "utf-8")
        draft.replace(request)
    except OSError as error:
        raise StoreError(
            f"{folder}: the request cannot be left there ({error.strerror}); run this as the daemon's user, or as root"
        ) from error
    return request


def is_order(path: Path) -> bool:
    """Whether a file in the folder of requests is an order."""
    return path.name.startswith(_PREFIX) and path.name.endswith(_SUFFIX)


def read_order(path: Path) -> Order | None:
    """The order in a file; None where it is none."""
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
        with os.fdopen(descriptor, "rb") as stream:
            data = stream.read(_MAX_BYTES + 1)
        return Order.model_validate_json(data) if len(data) <= _MAX_BYTES else None
    except (OSError, ValueError, ValidationError):
        return None
