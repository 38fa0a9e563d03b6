"""What the wire says of accepted correlations with a laboratory, and of the budget behind an uncertainty."""

from __future__ import annotations

from pydantic import Field

from crosslay.bus.wire import Identifier, Time, Wire


class CorrelationMessage(Wire):
    """The correlation that made the value of the in-line one: ``value = (rawValue - intercept) / slope``."""

    id: Identifier = Field(description="Identity of the accepted correlation.")
    slope: float = Field(description="In-line over laboratory value, dimensionless.")
    intercept: float = Field(description="In-line value where the laboratory's would be 0, in `unit`.")
    extrapolated: bool = Field(description="Whether the value lies beyond the parts that were compared.")


class CorrelationInForce(Wire):
    """A correlation that a person accepted: values of this characteristic and parameter are reported by it."""

    id: Identifier = Field(description="Its identity.")
    name: str = Field(description="Characteristic of the station file.")
    parameter: str = Field(description="Symbol.", examples=["Ra"])
    unit: str = Field(description="UCUM unit of intercept and range.", examples=["um"])
    slope: float = Field(description="In-line over laboratory value, dimensionless.")
    intercept: float = Field(description="In-line value where the laboratory's would be 0.")
    lowest: float = Field(description="Least laboratory value among the parts that were compared.")
    highest: float = Field(description="Largest laboratory value among them.")
    accepted: Time = Field(description="Since when.")
    reason: str | None = Field(
        default=None, description="Why the values do not count as long as it is in force; null where it is applied."
    )


class ContributionMessage(Wire):
    """One line of an uncertainty budget."""

    name: str = Field(description="What it is, in words.", examples=["linearity"])
    type: str = Field(description="A from repeated observations, B otherwise (JCGM 100).", examples=["A", "B"])
    distribution: str = Field(description="Of its possible values.", examples=["normal", "rectangular", "t"])
    standard_uncertainty: float = Field(description="What it lends to the value, in `unit`.")
    degrees_of_freedom: float | None = Field(description="null where infinite.")
    share: float = Field(description="Of the variance, 0 to 1.")


class BudgetMessage(Wire):
    """Uncertainty budget of one value (JCGM 100)."""

    reference_check: Identifier | None = Field(
        default=None, description="The reference check that traces the value; null where the station file does."
    )
    standard_uncertainty: float = Field(description="Combined, in `unit`.")
    degrees_of_freedom: float | None = Field(description="Effective; null where infinite.")
    contributions: list[ContributionMessage] = Field(description="Largest share first.")
    noise_bias: float | None = Field(
        default=None, description="By how much noise raises the value at most, in `unit`; not corrected."
    )
    left_out: list[str] = Field(default_factory=list, description="What is not known and so not in it.")
