"""`[tank.care]`: what the sums and the routine of one tank's care need to know."""

from typing import Annotated

from pydantic import Field, model_validator

from tankwatch.config_types import FLOAT as _FLOAT
from tankwatch.config_types import Table as _Table

_Days = Annotated[_FLOAT, Field(gt=0, le=3660)]
_Cm = Annotated[_FLOAT, Field(gt=0, le=2000)]
_MlPerL = Annotated[_FLOAT, Field(gt=0, le=100)]
_DAYS = "_days"


class CareConfig(_Table):
    """`[tank.care]`: what forms and plans of this tank begin with, and how often its tasks come back."""

    length_cm: _Cm | None = None
    """Inner length of the tank, cm; with width_cm the footprint that filling needs."""
    width_cm: _Cm | None = None
    """Inner width of the tank, cm."""
    lift_cm: Annotated[_FLOAT, Field(gt=0, le=100)] = 5.0
    """Height of one lift when new water runs straight in, cm."""
    conditioner_ml_per_l: _MlPerL | None = None
    """Dose on the label of the conditioner, mL for each litre of water: 5 mL for 40 L is 0.125."""
    conditioner_max_ml_per_l: _MlPerL | None = None
    """Most that the label allows in a day, mL for each litre of the tank."""
    change_days: _Days = 14.0
    """Days between two changes of water. These days and those below are common practice, no
    published source."""
    gravel_days: _Days = 14.0
    """Days between two cleanings of the gravel."""
    glass_days: _Days = 14.0
    """Days between two cleanings of the glass."""
    filter_days: _Days = 42.0
    """Days between two rinses of the filter."""
    heater_days: _Days = 28.0
    """Days between two checks of the heater."""
    light_days: _Days = 28.0
    """Days between two checks of the light's timer."""
    test_days: _Days = 14.0
    """Days between two water tests."""
    look_days: _Days = 14.0
    """Days between two looks at the fish."""

    @model_validator(mode="after")
    def _belongs_together(self) -> "CareConfig":
        if (self.length_cm is None) != (self.width_cm is None):
            raise ValueError("expected both length_cm and width_cm, or neither")
        dose, most = self.conditioner_ml_per_l, self.conditioner_max_ml_per_l
        if most is not None and dose is None:
            raise ValueError("conditioner_max_ml_per_l needs conditioner_ml_per_l, the dose that it limits")
        if most is not None and dose is not None and most < dose:
            raise ValueError(
                f"expected conditioner_max_ml_per_l to be at least the dose, got {most:g} < {dose:g}"
            )
        return self

    @property
    def days(self) -> dict[str, float]:
        """Days between two times of a task, by the task's key."""
        return {
            name.removesuffix(_DAYS): getattr(self, name)
            for name in type(self).model_fields
            if name.endswith(_DAYS)
        }
