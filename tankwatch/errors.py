"""The errors of tankwatch.

::

    TankwatchError
    ├── ConfigError       the configuration is wrong: file, key, value, what was expected
    ├── SourceError       a broker, a port or a bus cannot be used
    ├── StoreError        the store cannot be opened, read or written
    ├── ControlError      the running watch cannot be reached or refuses a request
    │   └── NotKeptError  it was done, but a crash before the disk takes it would lose the record
    ├── BacktestError     a room could not be judged anew from its recorded readings
    ├── DeliveryError     a message for a person could not be handed over
    └── UsageError        a command was asked for something that makes no sense

Each says what failed, where, and what to do next, in one message fit to print as it stands.
"""


class TankwatchError(Exception):
    """Base of every error that tankwatch raises on purpose."""

    exit_status = 1


class ConfigError(TankwatchError):
    """The configuration cannot be used; nothing is started."""

    exit_status = 2


class UsageError(TankwatchError):
    """A command or a plan was given input that makes no sense."""

    exit_status = 2


class SourceError(TankwatchError):
    """A source of readings cannot be opened or has failed."""


class StoreError(TankwatchError):
    """The store cannot be opened, read or written."""


class BacktestError(TankwatchError):
    """A room could not be judged anew from its recorded readings; the room is named."""


class DeliveryError(TankwatchError):
    """A message could not be handed to the service that carries it; the text holds no secret."""


class ControlError(TankwatchError):
    """The control socket cannot be reached, or the watch refused the request."""


class NotKeptError(ControlError):
    """The watch did what was asked, but its disk has not taken it yet: asking again would double it."""

    exit_status = 3
