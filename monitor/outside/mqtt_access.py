"""What a connection to the broker needs besides its address: password, TLS, and the properties of MQTT 5."""

from __future__ import annotations

import ssl
import stat
from pathlib import Path

from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitor.errors import BrokerError
from monitor.settings import Mqtt


def make_properties(packet: int, **fields: object) -> Properties:
    """MQTT 5 properties by their names; what is None is left out."""
    properties = Properties(packet)  # type: ignore[no-untyped-call]
    for name, field in fields.items():
        if field is not None:
            setattr(properties, name, field)
    return properties


def payload_properties(
    message_id: int | None = None, token: bytes | None = None, expiry_s: int | None = None
) -> Properties:
    """Of a published message: UTF-8 JSON, its id, an asker's token, how long it is of use."""
    return make_properties(
        PacketTypes.PUBLISH,
        ContentType="application/json",
        PayloadFormatIndicator=1,
        UserProperty=None if message_id is None else ("id", str(message_id)),
        CorrelationData=token,
        MessageExpiryInterval=expiry_s,
    )


def read_password(settings: Mqtt) -> str | None:
    """The password, from its file only. Raises BrokerError when others may read that file."""
    if settings.password_file is None:
        return None
    path = Path(settings.password_file)
    try:
        if path.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO) & ~stat.S_IRGRP:
            raise BrokerError(f"[mqtt] password_file {path}: others may read or change it; chmod 600 it")
        return path.read_text(encoding="utf-8").strip("\r\n")
    except (OSError, ValueError) as problem:
        why = getattr(problem, "strerror", None) or "is not text"
        raise BrokerError(f"[mqtt] password_file {path}: cannot be read: {why}") from None


def make_tls(settings: Mqtt) -> ssl.SSLContext | None:
    """The TLS settings: host names are checked, version 1.2 at least. Raises BrokerError."""
    if not settings.encrypted:
        return None
    try:
        context = ssl.create_default_context(cafile=settings.ca_file)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        if settings.cert_file is not None:
            context.load_cert_chain(settings.cert_file, settings.key_file)
        return context
    except (OSError, ValueError) as problem:
        raise BrokerError(f"[mqtt] ca_file, cert_file or key_file: cannot be used: {problem}") from None
