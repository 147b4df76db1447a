"""Tables of the rules that only the figures need: the glass, what varies, is kept, is tested."""

from __future__ import annotations

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
    """

    db_per_km: dict[Wavelength, NotNegative] = Field(default_factory=dict)
    mean_db_per_km: dict[Wavelength, NotNegative] = Field(default_factory=dict)
    group_index: dict[Wavelength, GroupIndex] = Field(default_factory=dict)
    bandwidth_mhz_km: dict[Wavelength, Positive] = Field(default_factory=dict)
    lambda0_min_nm: Positive | None = None
    lambda0_max_nm: Positive | None = None
    s0_max_ps_nm2_km: NotNegative | None = None

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


class Statistics(Table):
    """How losses vary: means and standard deviations of what has its greatest in [defaults].

    `k` standard deviations are added to the mean. The mean attenuation of a
    fibre type stands with the type.
    """

    k: NotNegative
    splice_mean_db: NotNegative
    splice_sigma_db: NotNegative
    connector_mean_db: NotNegative
    connector_sigma_db: NotNegative
    fibre_sigma_db_per_km: NotNegative


class Reserve(Table):
    """What is kept for later where a link states no `reserve_db` of its own."""

    ageing_db: NotNegative
    repair_splices_per_km_year: NotNegative
    repair_years: NotNegative


class Tests(Table):
    """How far a test may lie from the computed value, and how old it may be.

    Of the two tolerances, per cent and plain, the larger one holds.
    """

    __test__ = False

    length_pct: NotNegative
    length_m: NotNegative
    loss_pct: NotNegative
    loss_db: NotNegative
    delay_pct: NotNegative
    delay_us: NotNegative
    most_years: Positive


class PowerSystem(Table):
    """The power system that is protected."""

    frequency_hz: Positive


class Recovery(Table):
    """What a change to the other way takes, and whether rings turn back at a failure."""

    detection_ms: NotNegative
    hold_off_ms: NotNegative
    switching_ms: NotNegative
    ring_turns_back: bool


class Reroute(Table):
    """What counts where no separate ways exist: how bad it is to share a thing, by kind or role.

    `near` is for two segments that come too near or cross, `other` for all
    that has no weight of its own.
    """

    weights: dict[str, Annotated[int, Field(ge=0, le=1_000_000)]]

    @model_validator(mode="after")
    def _with_other(self) -> Reroute:
        if "other" not in self.weights:
            raise ValueError("state other, for kinds without a weight of their own")
        return self
