"""Tables of the rules that only the figures need: the glass, what varies, is kept, is tested."""

from __future__ import annotations

from math import isnan, nan
from typing import Annotated

from pydantic import Field, model_validator

from waysapart.study.toml_input import Table

NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
GroupIndex = Annotated[float, Field(ge=1, le=4, allow_inf_nan=False)]
Wavelength = Annotated[int, Field(ge=600, le=2000)]


class Fibre(Table):
    """One type of fibre; values by wavelength in nm, as stated, not interpolated.

    `db_per_km` is the greatest attenuation, `mean_db_per_km` what it is on
    average (the greatest where blank). Zero dispersion and slope are those of
    single-mode fibre, all three or none; bandwidth is that of multimode fibre.
    `core_um` is the diameter of the core: about 9 um in single-mode fibre.
    """

    core_um: Positive | None = Field(
        default=None,
        examples=[9],
        description="Diameter of the core: below 15 um the fibre is single-mode.",
    )
    db_per_km: dict[Wavelength, NotNegative] = Field(
        default_factory=dict, description="Greatest attenuation, by wavelength in nm."
    )
    mean_db_per_km: dict[Wavelength, NotNegative] = Field(
        default_factory=dict,
        description="Mean attenuation, by wavelength in nm. Left out: the greatest.",
    )
    group_index: dict[Wavelength, GroupIndex] = Field(
        default_factory=dict,
        description="Group index, by wavelength in nm. Left out: that of the medium fibre.",
    )
    bandwidth_mhz_km: dict[Wavelength, Positive] = Field(
        default_factory=dict,
        examples=[{"850": 500, "1300": 500}],
        description="Bandwidth of multimode fibre, by wavelength in nm.",
    )
    lambda0_min_nm: Positive | None = Field(
        default=None, description="Least zero-dispersion wavelength of single-mode fibre."
    )
    lambda0_max_nm: Positive | None = Field(
        default=None, description="Greatest zero-dispersion wavelength of single-mode fibre."
    )
    s0_max_ps_nm2_km: NotNegative | None = Field(
        default=None, description="Greatest dispersion slope at the zero-dispersion wavelength."
    )

    @model_validator(mode="after")
    def _whole_dispersion(self) -> Fibre:
        stated = (self.lambda0_min_nm, self.lambda0_max_nm, self.s0_max_ps_nm2_km)
        if any(value is None for value in stated) != all(value is None for value in stated):
            raise ValueError(
                "state lambda0_min_nm, lambda0_max_nm and s0_max_ps_nm2_km, or none of them"
            )
        if (self.lambda0_min_nm or 0) > (self.lambda0_max_nm or 0):
            raise ValueError("lambda0_min_nm must not be above lambda0_max_nm")
        return self


SINGLE_MODE_BELOW_UM = 15.0
"""A thinner core than this carries one mode: single-mode cores are 8 to 10 um, the thinnest
multimode core in use is 50 um (ISO/IEC 11801)."""


def core_um(fibre: Fibre) -> float:
    """Diameter of a type's core in micrometres; NaN where the rules do not tell.

    A type with a zero-dispersion wavelength is single-mode fibre, whatever its
    core exactly is.
    """
    if fibre.core_um is not None:
        return fibre.core_um
    return SINGLE_MODE_BELOW_UM / 2 if fibre.lambda0_min_nm is not None else nan


class ModeMismatch(Table):
    """Coupling loss where the light goes on in a smaller core; None: nobody states it.

    `to_single_mode` is from multimode into single-mode fibre, `to_smaller_core`
    from one multimode core into a smaller one, such as 62.5 to 50 um. Into a
    larger core nothing is lost.
    """

    to_single_mode: NotNegative | None = Field(
        default=None,
        examples=[20],
        description="Loss from multimode into single-mode fibre. Published figures, from a weak "
        "source: 17 to 20 dB. Left out: not known, so that such a link has no loss.",
    )
    to_smaller_core: NotNegative | None = Field(
        default=None,
        examples=[1.6],
        description="Loss from one multimode core into a smaller one, 62.5 to 50 um. Published "
        "figures, from a weak source: 0.9 to 1.6 dB. Left out: not known.",
    )

    def step_db(self, before_um: float, after_um: float) -> float:
        """Loss from one core into another; NaN where it is not stated, or a core is not known."""
        if isnan(before_um) or isnan(after_um):
            return nan
        single = after_um < SINGLE_MODE_BELOW_UM
        if before_um <= after_um or (single and before_um < SINGLE_MODE_BELOW_UM):
            return 0.0
        stated = self.to_single_mode if single else self.to_smaller_core
        return nan if stated is None else stated


class Statistics(Table):
    """How losses vary: means and standard deviations of what has its greatest in [defaults].

    `k` standard deviations are added to the mean. The mean attenuation of a
    fibre type stands with the type.
    """

    k: NotNegative = Field(description="Standard deviations that are added to the mean.")
    splice_mean_db: NotNegative = Field(description="Mean loss of a splice.")
    splice_sigma_db: NotNegative = Field(description="Standard deviation of it.")
    connector_mean_db: NotNegative = Field(description="Mean loss of a mated pair of connectors.")
    connector_sigma_db: NotNegative = Field(description="Standard deviation of it.")
    fibre_sigma_db_per_km: NotNegative = Field(
        description="Standard deviation of the attenuation of a reel of fibre."
    )


class Reserve(Table):
    """What is kept for later where a link states no `reserve_db` of its own."""

    ageing_db: NotNegative = Field(description="Loss kept for ageing, per link.")
    repair_splices_per_km_year: NotNegative = Field(
        description="Splices that repairs will add, per kilometre of fibre and year."
    )
    repair_years: NotNegative = Field(description="Years for which repairs are reckoned.")


class Tests(Table):
    """How far a test may lie from the computed value, and how old it may be.

    Of the two tolerances, per cent and plain, the larger one holds.
    """

    __test__ = False

    length_pct: NotNegative = Field(description="Tolerance of a measured length, in per cent.")
    length_m: NotNegative = Field(description="Tolerance of a measured length.")
    loss_pct: NotNegative = Field(description="Tolerance of a measured loss, in per cent.")
    loss_db: NotNegative = Field(description="Tolerance of a measured loss.")
    delay_pct: NotNegative = Field(description="Tolerance of a measured delay, in per cent.")
    delay_us: NotNegative = Field(description="Tolerance of a measured delay.")
    most_years: Positive = Field(
        description="Age from which a test, or one without a date, is listed as old."
    )


class PowerSystem(Table):
    """The power system that is protected."""

    frequency_hz: Positive = Field(
        description="Frequency, for the phase error that an asymmetry causes."
    )


class Recovery(Table):
    """What a change to the other way takes, and whether rings turn back at a failure."""

    detection_ms: NotNegative = Field(description="Time until a failure is detected.")
    hold_off_ms: NotNegative = Field(
        description="Hold-off after that, so that another layer can restore the signal first."
    )
    switching_ms: NotNegative = Field(description="Until the other path carries the signal.")
    ring_turns_back: bool = Field(
        description="Whether rings turn back at a failure, so that a signal goes back and round "
        "the rest of the ring: that delay counts too."
    )


class RerouteRules(Table):
    """What counts where no separate paths exist: how bad it is to share a thing, by kind or role.

    `near` is for two segments that come too near or cross, `other` for all
    that has no weight of its own.
    """

    weights: dict[str, Annotated[int, Field(ge=0, le=1_000_000)]] = Field(
        description="How bad it is to share a thing, by kind, else by role; near: two segments "
        "that come too near or cross; other: all else. A small whole number, since sums of them "
        "are compared."
    )

    @model_validator(mode="after")
    def _with_other(self) -> RerouteRules:
        if "other" not in self.weights:
            raise ValueError("state other, for kinds without a weight of their own")
        return self
