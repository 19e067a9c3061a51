"""How long and in how much room the store keeps what."""

from dataclasses import dataclass

from tankwatch.config import StoreConfig

MIB = 1024 * 1024


@dataclass(frozen=True, slots=True)
class Keeping:
    """Limits by age and by size; the keys of `[store]` say the same. Zero sets no limit."""

    seal_after_h: float = 1.0
    """Readings older than this are sealed into blocks."""
    readings_days: float = 1100.0
    """Readings older than this are dropped."""
    readings_mb: float = 0.0
    """Readings beyond this size (MiB) are dropped, oldest first."""
    hours_days: float = 3700.0
    """Figures of hours older than this are dropped; those of days are kept for ever."""
    hours_mb: float = 0.0
    """Figures of hours beyond this size (MiB, estimated) are dropped, oldest first."""
    min_free_mb: float = 200.0
    """Room that the disk should have (MiB): told below twice that, and made below that."""

    @classmethod
    def of(cls, config: StoreConfig) -> "Keeping":
        """Return what `[store]` asks for."""
        return cls(
            seal_after_h=config.seal_after_h,
            readings_days=config.readings_days,
            readings_mb=config.readings_mb,
            hours_days=config.hours_days,
            hours_mb=config.hours_mb,
            min_free_mb=config.min_free_mb,
        )
