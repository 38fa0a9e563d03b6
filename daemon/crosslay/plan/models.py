"""The sections of a station file, as pydantic models: strict types, no unknown keys, every range stated."""

from __future__ import annotations

import ipaddress
import string
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationInfo,
    field_validator,
    model_validator,
)

from crosslay.inspection.acceptance import GUARD_FACTOR, MOST_VALUES, DecisionRule
from crosslay.plan.sections import MAX_NAME, Section, listed, sound_cutoff, sound_form, sound_name, sound_short_cutoff
from crosslay.plan.specimens import SpecimenSection
from crosslay.texture.settings import FilterKind, Standard

_SEGMENT = frozenset(string.ascii_lowercase + string.digits + "_-")
_SCHEME = frozenset(string.ascii_letters + string.digits + "+-.")
_CREDENTIAL = frozenset(string.ascii_letters + string.digits + "_-.")
MAX_USER_NAME_BYTES = 256
MAX_LEVELS = 8
#: The ports that IANA registers for MQTT, without and with TLS.
PLAIN_PORT, TLS_PORT = 1883, 8883


def _topic(value: str) -> str:
    levels = value.split("/")
    if "+" in value or "#" in value:
        raise ValueError("must not hold + or #: they are wildcards for subscribers, and a station publishes")
    if value.startswith("/") or value.endswith("/") or "" in levels:
        raise ValueError('must be levels joined by single "/", without one at the beginning or end')
    if value != value.lower():
        raise ValueError(f'must be lower case, since MQTT topics are case-sensitive; "{value.lower()}" would be right')
    if not all(_SEGMENT.issuperset(level) for level in levels):
        raise ValueError("each level must be of a-z, 0-9, _ and -")
    if len(levels) > MAX_LEVELS:
        raise ValueError(f"has {len(levels)} levels; at most {MAX_LEVELS} are allowed")
    return value


def _source(value: str) -> str:
    scheme, colon, rest = value.partition(":")
    if not (colon and rest and scheme[:1].isalpha() and _SCHEME.issuperset(scheme)):
        raise ValueError('must be a URI that is unique in the plant, such as "urn:crosslay:plant:line3:op30"')
    if any(character.isspace() or not character.isprintable() for character in value):
        raise ValueError("must be a URI, so it holds no blanks")
    return value


def _host(value: str) -> str:
    if "://" in value or "/" in value:
        raise ValueError('must be a host name or address alone, such as "127.0.0.1"; the port has its own key')
    if not value or any(character.isspace() or not character.isprintable() for character in value):
        raise ValueError("must be a host name or an IP address")
    return value


def _server_name(value: str) -> str:
    if "*" in value or value.startswith("."):
        raise ValueError("must be the one name that the broker's certificate is to bear, without a wildcard")
    return _host(value)


def _file(value: str) -> str:
    if not value.strip() or not value.isprintable():
        raise ValueError("must be the path of a file")
    return value


def _credential(value: str) -> str:
    if not value or not _CREDENTIAL.issuperset(value) or value.startswith("."):
        raise ValueError("must be the name of a credential (LoadCredential=NAME:… of the service), of a-z, A-Z, 0-9, "
                         "_, - and .; a path goes into password_file")
    return value


def _user_name(value: str) -> str:
    if not value or not value.isprintable() or len(value.encode()) > MAX_USER_NAME_BYTES:
        raise ValueError(f"must be 1 to {MAX_USER_NAME_BYTES} bytes of printable text")
    return value


def is_loopback(host: str) -> bool:
    """Whether a host name or address certainly means this computer; decided without asking a name server."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.removeprefix("[").removesuffix("]")).is_loopback
    except ValueError:
        return False


def _zones(value: Any) -> Any:
    zones = tuple(tuple(zone) if isinstance(zone, list) else zone for zone in value) if isinstance(value, list) else ()
    numbers = all(isinstance(zone, tuple) and len(zone) == 2 and all(
        isinstance(each, int | float) and not isinstance(each, bool) for each in zone) for zone in zones)
    if not isinstance(value, list) or not numbers or any(not 0 <= zone[0] < zone[1] for zone in zones):
        raise ValueError("must be a list of zones, each from and to in mm from the trace's begin, such as [[0.0, 0.2], "
                         "[3.1, 3.4]]; a zone ends beyond its begin")
    return tuple((float(first), float(last)) for first, last in zones)


def _names(value: Any) -> Any:
    names = tuple(value) if isinstance(value, list) else value
    if not isinstance(names, tuple) or not all(isinstance(each, str) and 0 < len(each) <= MAX_NAME for each in names):
        raise ValueError(f"must be a list of names, each 1 to {MAX_NAME} characters")
    if len(set(names)) != len(names):
        raise ValueError("must be a list of names without any of them twice")
    return names


def _uncertainties(value: Any) -> Any:
    given = value.values() if isinstance(value, dict) else (value,)
    if not given or not all(isinstance(each, int | float) and not isinstance(each, bool) and 0 < each < float("inf")
                            for each in given):
        raise ValueError("must be a number above 0, in the call-out's unit, or a table of them by parameter, such as "
                         "{ Ra = 0.02, Rz = 0.15 }")
    return {name: float(each) for name, each in value.items()} if isinstance(value, dict) else float(value)


def _callouts(value: Any) -> Any:
    if isinstance(value, str):
        return (value,)
    return tuple(value) if isinstance(value, list) else value


class StationSection(Section):
    """``[station]``: who this is."""

    name: Annotated[str, AfterValidator(sound_name)]
    topic: Annotated[str, AfterValidator(_topic)]
    state_dir: Annotated[str, Field(min_length=1)] | None = None
    source: Annotated[str, AfterValidator(_source)] | None = None
    part_timeout_s: Annotated[float, Field(gt=0)] = 60.0
    log_level: Literal["debug", "info", "warning", "error"] = "info"


class TlsSection(Section):
    """``[bus.tls]``: how the broker proves who it is, and where it asks for that, how this station does.

    There is no key that switches verification off. Files are read anew for each connection.
    """

    ca_file: Annotated[str, AfterValidator(_file)]
    certificate_file: Annotated[str, AfterValidator(_file)] | None = None
    key_file: Annotated[str, AfterValidator(_file)] | None = None
    server_name: Annotated[str, AfterValidator(_server_name)] | None = None

    @model_validator(mode="after")
    def _certificate_with_its_key(self) -> TlsSection:
        if (self.certificate_file is None) != (self.key_file is None):
            raise ValueError("certificate_file and key_file go together: a certificate proves nothing without its key")
        return self


class BusSection(Section):
    """``[bus]``: the MQTT broker and how results count as delivered (DC-20, DC-21, DC-31, DC-34, DC-65)."""

    # First, because what the others may be depends on it.
    tls: TlsSection | None = None
    host: Annotated[str, AfterValidator(_host)]
    port: Annotated[int, Field(ge=1, le=65535)] = PLAIN_PORT
    username: Annotated[str, AfterValidator(_user_name)] | None = None
    password_credential: Annotated[str, AfterValidator(_credential)] | None = None
    password_file: Annotated[str, AfterValidator(_file)] | None = None
    acknowledge: Literal["confirmed", "broker"] = "confirmed"
    protocol: Literal["5", "3.1.1"] = "5"
    window: Annotated[int, Field(ge=1, le=1000)] = 20
    resend_after_s: Annotated[float, Field(gt=0, le=3600)] = 3.0
    keepalive_s: Annotated[int, Field(ge=1, le=3600)] = 10
    #: Commands that are taken over the bus; none by itself.
    commands: Annotated[tuple[Literal["reference-check"], ...], BeforeValidator(listed)] = ()

    @model_validator(mode="before")
    @classmethod
    def _usual_port(cls, given: Any) -> Any:
        if isinstance(given, dict) and "port" not in given and given.get("tls") is not None:
            return {**given, "port": TLS_PORT}
        return given

    @field_validator("host")
    @classmethod
    def _plaintext_stays_here(cls, value: str, info: ValidationInfo) -> str:
        if _known_to_be_none(info, "tls") and not is_loopback(value):
            raise ValueError("is not this computer, and without TLS the connection is allowed only to a broker on "
                             "loopback (localhost, 127.0.0.0/8, ::1); [bus.tls] with ca_file is needed")
        return value

    @field_validator("username")
    @classmethod
    def _name_only_under_tls(cls, value: str | None, info: ValidationInfo) -> str | None:
        if value is not None and _known_to_be_none(info, "tls"):
            raise ValueError("is not allowed without TLS, which keeps the password that goes with it from being read; "
                             "[bus.tls] with ca_file is needed")
        return value

    @field_validator("password_credential", "password_file")
    @classmethod
    def _password_of_a_user(cls, value: str | None, info: ValidationInfo) -> str | None:
        if value is not None and _known_to_be_none(info, "username"):
            raise ValueError("is not allowed without username; a password belongs to a user")
        return value

    @model_validator(mode="after")
    def _one_password(self) -> BusSection:
        if self.password_credential is not None and self.password_file is not None:
            raise ValueError("password_credential and password_file exclude each other; leave one out")
        return self

    @model_validator(mode="after")
    def _old_protocol_needs_confirmation(self) -> BusSection:
        if self.protocol == "3.1.1" and self.acknowledge != "confirmed":
            raise ValueError('protocol "3.1.1" needs acknowledge = "confirmed": its PUBACK carries no reason, so a '
                             "refused result would look delivered")
        return self


def _known_to_be_none(info: ValidationInfo, name: str) -> bool:
    """Whether another key is absent; where it is wrong, that is already a finding of its own."""
    return name in info.data and info.data[name] is None


class LightSection(Section):
    """``[light]``: how long ACCEPT shows, how old a trace may be for it, and the rest state."""

    dwell_s: Annotated[float, Field(gt=0, le=3600)] = 2.0
    max_age_s: Annotated[float, Field(gt=0, le=3600)] = 10.0
    idle: Literal["reject", "hold"] = "reject"


class StoreSection(Section):
    """``[store]``: how much may be kept, and what a full store does (DC-43, DC-50)."""

    quota_mb: Annotated[int, Field(ge=1, le=1_000_000)] = 2048
    trace_quota_mb: Annotated[int, Field(ge=0, le=1_000_000)] = 1024
    keep_days: Annotated[float, Field(ge=0)] = 90.0
    when_full: Literal["hold", "drop-oldest-with-gap"] = "hold"


class AdapterSection(BaseModel):
    """``[gauge]`` or one ``[[indicator]]``: an adapter's name and the adapter's own options."""

    model_config = ConfigDict(extra="allow", frozen=True, strict=True)

    adapter: str

    def options(self) -> dict[str, Any]:
        """The adapter's own options, as written."""
        return dict(self.model_extra or {})


class CharacteristicSection(Section):
    """One ``[[characteristic]]``: what the drawing asks for at one place, and how it is evaluated."""

    name: Annotated[str, Field(min_length=1, max_length=MAX_NAME)]
    callout: Annotated[tuple[str, ...], BeforeValidator(_callouts), Field(min_length=1)]
    standard: Standard = Standard.ISO_21920
    filter: FilterKind | None = None
    cutoff_mm: Annotated[float, AfterValidator(sound_cutoff)] | None = None
    short_cutoff_um: Annotated[float | Literal["none"], BeforeValidator(sound_short_cutoff)] | None = None
    sections: Annotated[int, Field(ge=1, le=10)] | None = None
    form: Annotated[str, AfterValidator(sound_form)] = "line"
    skip_start_mm: Annotated[float, Field(ge=0)] = 0.0
    skip_end_mm: Annotated[float, Field(ge=0)] = 0.0
    leave_out_mm: Annotated[tuple[tuple[float, float], ...], BeforeValidator(_zones)] = ()
    feed_mm: Annotated[float, Field(gt=0, le=100)] | None = None
    positions: Annotated[tuple[str, ...], BeforeValidator(_names)] = ()
    min_traces: Annotated[int, Field(ge=1, le=MOST_VALUES)] = 1
    max_traces: Annotated[int, Field(ge=1, le=MOST_VALUES)] = 1
    decision_rule: DecisionRule = DecisionRule.SIMPLE
    guard_factor: Annotated[float, Field(gt=0, le=10)] = GUARD_FACTOR
    expanded_uncertainty: Annotated[float | dict[str, float] | None, BeforeValidator(_uncertainties)] = None
    coverage_factor: Annotated[float, Field(ge=1, le=10)] = 2.0

    @model_validator(mode="after")
    def _short_below_long(self) -> CharacteristicSection:
        short_um = self.short_cutoff_um
        if isinstance(short_um, float) and self.cutoff_mm is not None and short_um >= 1000 * self.cutoff_mm:
            raise ValueError(f"short_cutoff_um = {short_um:g} µm must be below cutoff_mm = {self.cutoff_mm:g} mm")
        return self

    @model_validator(mode="after")
    def _fewest_below_most(self) -> CharacteristicSection:
        if self.min_traces > self.max_traces:
            raise ValueError(f"min_traces = {self.min_traces} must not be above max_traces = {self.max_traces}")
        return self


class PreCheckSection(Section):
    """``[precheck]``: limits for what a gauge can say before a traverse, and what happens beyond them."""

    min_position_percent: Annotated[float, Field(ge=0, lt=100)] = 10.0
    max_position_percent: Annotated[float, Field(gt=0, le=100)] = 90.0
    max_tilt_um_per_mm: Annotated[float, Field(gt=0)] | None = None
    max_noise_um: Annotated[float, Field(gt=0)] | None = None
    when_out: Literal["refuse", "warn"] = "refuse"

    @model_validator(mode="after")
    def _lowest_below_highest(self) -> PreCheckSection:
        if self.min_position_percent >= self.max_position_percent:
            raise ValueError(f"min_position_percent = {self.min_position_percent:g} must be below max_position_percent "
                             f"= {self.max_position_percent:g}")
        return self


_Known = Annotated[float | None, Field(ge=0, le=1e6)]


class UncertaintySection(Section):
    """``[uncertainty]``: what is known of the gauge; what is left out is not known, and never taken as zero.

    ``height_percent`` and ``length_percent`` are expanded uncertainties of the calibration, % of the value, with
    ``coverage_factor``; a good reference check comes before them.
    """

    height_percent: Annotated[float | None, Field(gt=0, le=100)] = None
    length_percent: Annotated[float | None, Field(gt=0, le=100)] = None
    coverage_factor: Annotated[float, Field(ge=1, le=10)] = 2.0
    noise_rq0_um: _Known = None
    noise_rz0_um: _Known = None
    linearity_percent: _Known = None
    resolution_um: _Known = None
    cutoff_percent: _Known = None
    speed_percent: _Known = None
    part_scatter_percent: _Known = None
    tip_radius_um: Annotated[float | None, Field(gt=0, le=1000)] = None
    tip_tolerance_um: Annotated[float | None, Field(gt=0, le=1000)] = None


class StationFile(Section):
    """A whole station file."""

    station: StationSection
    gauge: AdapterSection
    bus: BusSection
    light: LightSection = LightSection()
    store: StoreSection = StoreSection()
    precheck: PreCheckSection | None = None
    uncertainty: UncertaintySection | None = None
    indicator: tuple[AdapterSection, ...] = ()
    characteristic: Annotated[tuple[CharacteristicSection, ...], Field(min_length=1)]
    specimen: tuple[SpecimenSection, ...] = ()
