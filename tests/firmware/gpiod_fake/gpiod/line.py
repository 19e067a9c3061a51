from enum import Enum


class Direction(Enum):
    INPUT = 2


class Bias(Enum):
    PULL_UP = 4
    PULL_DOWN = 5


class Value(Enum):
    INACTIVE = 0
    ACTIVE = 1
