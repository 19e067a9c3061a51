"""The heat a tank loses to its room, estimated from dimensions, glass and lid by handbook films.

Meant for a tank without a history; a fitted loss is always better. Two choices of films bracket the truth:
`LOW_FILMS` (computed films, still surface) and `HIGH_FILMS` (handbook wall film, full evaporation).
"""

from dataclasses import dataclass

from tankwatch.physics.evaporation import STILL_ACTIVITY, evaporation_w
from tankwatch.physics.films import (
    CEILING_FILM_W_PER_M2_K,
    FLOOR_FILM_W_PER_M2_K,
    GLASS_W_PER_M_K,
    INDOOR_FILM_W_PER_M2_K,
    WATER_EMISSIVITY,
    radiation_w_per_m2_k,
    surface_convection_w_per_m2_k,
    wall_u_w_per_m2_k,
)
from tankwatch.physics.guard import between, positive


@dataclass(frozen=True, slots=True)
class TankShape:
    """Inner dimensions of a rectangular tank up to the water level, its walls and its lid."""

    length_cm: float
    width_cm: float
    water_height_cm: float
    wall_mm: float = 6.0
    lid: bool = False
    """A closed lid: evaporation is held back, heat leaves through the sheet."""
    base_insulated: bool = True
    """Stands on foam or a board: the base is left out."""
    wall_conductivity_w_per_m_k: float = GLASS_W_PER_M_K

    @property
    def walls_m2(self) -> float:
        """Wetted area of the four walls, m²."""
        return 2.0 * (self.length_cm + self.width_cm) * self.water_height_cm / 1e4

    @property
    def top_m2(self) -> float:
        """Water surface, which is the footprint, m²."""
        return self.length_cm * self.width_cm / 1e4

    @property
    def volume_l(self) -> float:
        """Water, litres."""
        return self.length_cm * self.width_cm * self.water_height_cm / 1000.0

    def check(self) -> None:
        """Refuse dimensions that no tank has.

        Raises:
            ValueError: a dimension, the glass or its conductivity is not above 0.
        """
        positive("tank length in cm", self.length_cm)
        positive("tank width in cm", self.width_cm)
        positive("water height in cm", self.water_height_cm)
        positive("wall thickness in mm", self.wall_mm)
        positive("wall conductivity in W/mK", self.wall_conductivity_w_per_m_k)


@dataclass(frozen=True, slots=True)
class Films:
    """One choice of the coefficients that nobody knows exactly."""

    wall_film_w_per_m2_k: float
    activity: float
    """Activity factor of the evaporation equation."""


LOW_FILMS = Films(wall_film_w_per_m2_k=7.0, activity=STILL_ACTIVITY)
"""2.1 convection and 4.9 radiation at the walls; a still, unoccupied surface."""
HIGH_FILMS = Films(wall_film_w_per_m2_k=INDOOR_FILM_W_PER_M2_K, activity=1.0)
"""Handbook film of an indoor wall; the surface stirred by filter or air."""


@dataclass(frozen=True, slots=True)
class TankLoss:
    """Heat leaving the tank, W, by way."""

    walls_w: float
    top_w: float
    """Convection and radiation from the open surface, or conduction through the lid."""
    evaporation_w: float
    base_w: float

    @property
    def total_w(self) -> float:
        """All ways together, W."""
        return self.walls_w + self.top_w + self.evaporation_w + self.base_w


def tank_loss_w(
    shape: TankShape, water_c: float, room_c: float, relative_humidity: float = 0.5, films: Films = HIGH_FILMS
) -> TankLoss:
    """Return the heat that leaves the tank, W by way; negative parts where the room is warmer.

    Source: series resistances with the films of ASHRAE Fundamentals and ISO 6946, surface convection of
    indoor pools, radiation, and the evaporation equation of the ASHRAE Handbook (see `films` and
    `evaporation`). Under a lid the air is taken as saturated: no evaporation, the lid as a wall of the same
    thickness with the film for heat flowing up (estimate, no published source).

    Raises:
        ValueError: a dimension is not above 0, a temperature is outside 0..60 °C, or the humidity is not a
            share of 0..1.
    """
    shape.check()
    between("water temperature in °C", water_c, 0.0, 60.0)
    between("room temperature in °C", room_c, 0.0, 60.0)
    between("relative humidity as a share", relative_humidity, 0.0, 1.0)
    difference_k = water_c - room_c
    conductivity = shape.wall_conductivity_w_per_m_k
    u_walls = wall_u_w_per_m2_k(shape.wall_mm, films.wall_film_w_per_m2_k, conductivity)
    surface_film = surface_convection_w_per_m2_k(difference_k) + radiation_w_per_m2_k(
        WATER_EMISSIVITY, (water_c + room_c) / 2.0
    )
    if shape.lid:
        u_top = wall_u_w_per_m2_k(
            shape.wall_mm, CEILING_FILM_W_PER_M2_K, conductivity, inner_film_w_per_m2_k=max(surface_film, 5.0)
        )
        evaporated_w = 0.0
    else:
        u_top = surface_film
        evaporated_w = evaporation_w(
            shape.top_m2, water_c, room_c, relative_humidity, activity=films.activity
        )
    u_base = (
        0.0 if shape.base_insulated else wall_u_w_per_m2_k(shape.wall_mm, FLOOR_FILM_W_PER_M2_K, conductivity)
    )
    return TankLoss(
        walls_w=u_walls * shape.walls_m2 * difference_k,
        top_w=u_top * shape.top_m2 * difference_k,
        evaporation_w=evaporated_w,
        base_w=u_base * shape.top_m2 * difference_k,
    )


def glass_loss_w_per_k(
    shape: TankShape,
    water_c: float = 25.0,
    room_c: float = 20.0,
    relative_humidity: float = 0.5,
    films: Films = HIGH_FILMS,
) -> float:
    """Return the loss per kelvin between water and room at this pair of temperatures, W/K.

    Evaporation does not follow the difference alone, so ask with the room that matters.

    Raises:
        ValueError: as `tank_loss_w`; the water is not warmer than the room.
    """
    if not water_c > room_c:
        raise ValueError(f"the water must be warmer than the room, got {water_c:g} and {room_c:g} °C")
    return tank_loss_w(shape, water_c, room_c, relative_humidity, films).total_w / (water_c - room_c)
