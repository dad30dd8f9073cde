"""What site.yaml declares, as the edges take it: how the broker is reached, how much the store may keep."""

from __future__ import annotations

import os
from pathlib import Path

from aggregator.config.files import BrokerKeys, SecretKeys, StorageKeys
from aggregator.core.errors import AggregatorError
from aggregator.mqtt import Broker, Secret, Tls
from aggregator.store import Limits

DAY = 86400.0


class CannotStart(AggregatorError):
    """Something outside the site's files keeps the service from starting; the message says what to do."""


def broker_of(keys: BrokerKeys) -> Broker:
    """How to reach the broker, with its password fetched. Raises CannotStart."""
    return Broker(
        host=keys.host,
        port=keys.port,
        version=keys.version,
        client=keys.client,
        user=keys.user,
        password=_secret(keys.password) if keys.password else None,
        tls=Tls(keys.tls.ca, keys.tls.certificate, keys.tls.key) if keys.tls else None,
        keepalive=keys.keepalive,
        keeps=keys.keeps,
    )


def _secret(keys: SecretKeys) -> Secret:
    if keys.file:
        try:
            return Secret(Path(keys.file).read_text(encoding="utf-8").rstrip("\r\n"))
        except (OSError, UnicodeDecodeError) as error:
            raise CannotStart(f"the broker's password cannot be read from {keys.file}: {error}") from error
    value = os.environ.get(keys.environment or "")
    if value is None:
        raise CannotStart(
            f"the environment variable {keys.environment} is not set; it must hold the broker's password "
            "(`password:` in site.yaml)"
        )
    return Secret(value)


def limits_of(keys: StorageKeys) -> Limits:
    """How much the store may keep."""
    return Limits(
        keep_days=keys.keep / DAY,
        keep_journal_days=keys.keep_journal / DAY,
        most_bytes=keys.most,
        most_aside=keys.set_aside,
        hold_back=keys.hold_back or 0.0,
    )
