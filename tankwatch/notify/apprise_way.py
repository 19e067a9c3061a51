"""Any service that the Apprise library knows, by its URL."""

import logging
from types import ModuleType

from tankwatch.alarms.model import Priority
from tankwatch.config_notify import AppriseWayConfig, url_of
from tankwatch.errors import ConfigError, DeliveryError
from tankwatch.notify.masking import mask_secrets, masked_url, secrets_of_url
from tankwatch.notify.message import Message
from tankwatch.notify.way import Way

MISSING = "needs Apprise, which is not installed: pip install 'tankwatch[notify]'"
_TYPES = {
    Priority.LOW: "info",
    Priority.MEDIUM: "info",
    Priority.HIGH: "warning",
    Priority.CRITICAL: "failure",
}


class AppriseWay(Way):
    """Sends title and text to one service."""

    def __init__(self, config: AppriseWayConfig) -> None:
        """Prepare; the library is loaded at the first message, so that a watch starts without it."""
        self.way_id = config.id
        self._config = config

    def send(self, message: Message) -> None:
        """Send by the service.

        Raises:
            DeliveryError: the library is absent, the URL is no service of it, or the service did not take it.
        """
        apprise = _load(self.way_id)
        try:
            url = url_of(self._config)
        except ConfigError as error:
            raise DeliveryError(str(error)) from error
        secrets = secrets_of_url(url)
        service = apprise.Apprise()
        with _Listener() as heard:
            if not service.add(url):
                raise DeliveryError(f"way {self.way_id}: {masked_url(url)} is no URL that Apprise knows")
            try:
                taken = service.notify(
                    title=message.title,
                    body=message.text,
                    notify_type=_TYPES[message.priority],
                    body_format="text",
                )
            except Exception as error:  # a plug-in of the library may raise anything
                reason = mask_secrets(f"{type(error).__name__}: {error}", secrets)
                raise DeliveryError(f"way {self.way_id}: {reason}") from None
        if not taken:
            reason = mask_secrets("; ".join(heard.lines[-2:]) or "no reason given", secrets)
            raise DeliveryError(f"way {self.way_id}: {masked_url(url)} did not take it: {reason}")


class _Listener(logging.Handler):
    """Hears what the library says of one delivery; nothing of it reaches a log unmasked."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.lines: list[str] = []
        self._logger = logging.getLogger("apprise")

    def emit(self, record: logging.LogRecord) -> None:
        self.lines.append(record.getMessage())

    def __enter__(self) -> "_Listener":
        self._logger.propagate = False
        self._logger.addHandler(self)
        return self

    def __exit__(self, *_: object) -> None:
        self._logger.removeHandler(self)


def _load(way_id: str) -> ModuleType:
    try:
        import apprise
    except ImportError as error:
        raise DeliveryError(f"way {way_id}: {MISSING}") from error
    return apprise  # type: ignore[no-any-return,unused-ignore]
