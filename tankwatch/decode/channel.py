"""One configured channel of one tank: from a raw value to a `Reading`."""

from dataclasses import dataclass

from tankwatch.config import ChannelConfig
from tankwatch.decode import scalar
from tankwatch.decode.refused import Reason, Refused
from tankwatch.decode.units import ON_OFF_UNITS, check_plausible, to_channel_unit
from tankwatch.reading import ON_OFF_CHANNELS, Channel, Reading, ServiceMark

FAULT_CODES_C = frozenset({85.0, -127.0, 127.937, 127.9375})
"""What 1-wire probes and their libraries say in place of a temperature: before the first conversion (DS18B20
data sheet, table 1), disconnected (a convention of probe libraries), and with too little supply."""

_NEAR_COLD_CODE_C, _NEAR_CODES_C = -100.0, 80.0
"""What lies between is no fault code, nor one but for its last bit: the short way of nearly every reading."""

_SERVICE, _TEMPERATURE, _AIR, _POWER = Channel.SERVICE, Channel.TEMPERATURE, Channel.AIR, Channel.POWER
"""Named once: looking a member up in its enum is slow, and this is done for every reading."""

_SERVICE_WORDS = {mark.value: mark for mark in ServiceMark}


@dataclass(frozen=True, slots=True)
class BoundChannel:
    """A channel of the configuration with the id of its tank."""

    tank: str
    config: ChannelConfig

    @property
    def wanted_names(self) -> tuple[str, ...]:
        """Names under which its record may come, whole."""
        kind = self.config.kind.value
        return (self.config.name,) if self.config.name else (f"{self.tank}/{kind}", kind)

    def reading(
        self, raw: float | bool | str, unit: str | None, time_s: float, retained: bool, source: str
    ) -> Reading:
        """Return the reading that the raw value stands for.

        Raises:
            Refused: wrong type, unit or word, or an absurd value.
        """
        config = self.config
        kind = config.kind
        if (raw is True or raw is False) and kind in ON_OFF_CHANNELS:  # the most frequent form of a state
            state = 1.0 if raw is not config.invert else 0.0
            return Reading(self.tank, kind, time_s, state, None, retained, source)
        if kind is _SERVICE:
            return Reading(self.tank, kind, time_s, 0.0, self._mark(raw).value, retained, source)
        if kind is _POWER and isinstance(raw, bool):  # a probe on a battery says whether the mains are there
            return Reading(self.tank, Channel.MAINS, time_s, float(raw), None, retained, source)
        value = self._state(raw, unit) if kind in ON_OFF_CHANNELS else self._quantity(raw, unit)
        return Reading(self.tank, kind, time_s, value, None, retained, source)

    def from_text(self, text: bytes | str) -> tuple[float | bool | str, str | None]:
        """Return the raw value and unit that a bare word or number stands for on this channel.

        A service channel takes its own words, and on or off as a switch beside the tank gives them.

        Raises:
            Refused: the text is neither.
        """
        kind = self.config.kind
        if kind is _SERVICE:
            word = scalar.text_of(text)
            return (word if word in _SERVICE_WORDS else scalar.on_off(word)), None
        if kind in ON_OFF_CHANNELS and self.config.on_above is None:
            return scalar.on_off(text), None
        return scalar.quantity(text)

    def _mark(self, raw: float | bool | str) -> ServiceMark:
        if isinstance(raw, bool):  # a switch beside the tank: on while hands are in
            return ServiceMark.WORK if raw is not self.config.invert else ServiceMark.END
        if isinstance(raw, str) and raw in _SERVICE_WORDS:
            return _SERVICE_WORDS[raw]
        words = ", ".join(ServiceMark)
        raise Refused(Reason.UNKNOWN_WORD, f"service {raw!r}; expected one of {words}")

    def _state(self, raw: float | bool | str, unit: str | None) -> float:
        config = self.config
        if isinstance(raw, str):
            on = scalar.on_off(raw)
        elif isinstance(raw, bool):
            on = raw
        elif config.on_above is not None:
            on = raw > config.on_above
        elif unit not in ON_OFF_UNITS:
            raise Refused(Reason.WRONG_UNIT, f"{config.kind} in {unit!r} says on or off only with on_above")
        elif raw in (0.0, 1.0):
            on = raw == 1.0
        else:
            raise Refused(Reason.ABSURD, f"{config.kind} of {raw:g}; expected 0 or 1, or set on_above")
        return 1.0 if on is not config.invert else 0.0

    def _quantity(self, raw: float | bool | str, unit: str | None) -> float:
        config = self.config
        if isinstance(raw, str) or raw is True or raw is False:
            raise Refused(Reason.WRONG_TYPE, f"{config.kind} of {raw!r}; expected a number")
        value = to_channel_unit(config.kind, raw * config.scale, unit)
        if config.kind is _TEMPERATURE or config.kind is _AIR:
            value = self._calibrated_c(raw, unit, value)
        check_plausible(config.kind, value)
        return value

    def _calibrated_c(self, raw: float, unit: str | None, scaled_c: float) -> float:
        """Return the calibrated temperature; a fault code stays as it is, or nobody would know it."""
        calibrated_c = scaled_c + self.config.offset_c
        low_c, high_c = _NEAR_COLD_CODE_C, _NEAR_CODES_C
        if low_c < raw < high_c and low_c < scaled_c < high_c and low_c < calibrated_c < high_c:
            return calibrated_c
        if round(scaled_c, 6) in FAULT_CODES_C:  # rounded: 185 °F is 85 °C but for the last bit
            return round(scaled_c, 6)
        # A scale near 1 is a calibration. Any other changes the unit, and raw 85 is then 8.5 degrees or so.
        is_calibration = 0.9 < self.config.scale < 1.1
        if unit in (None, "Cel") and is_calibration and raw in FAULT_CODES_C:
            return raw
        if not is_calibration and round(calibrated_c, 6) in FAULT_CODES_C:  # offset and scale change the unit
            return round(calibrated_c, 6)
        return calibrated_c
