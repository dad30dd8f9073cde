"""Modbus TCP, plain and over TLS: bytes in, bytes out."""

from aggregator.modbus_server.errors import CannotListen, UnusableTls
from aggregator.modbus_server.server import A_TURN, HALF_A_REQUEST, Client, ClientLimits, ModbusServer
from aggregator.modbus_server.tls import ListenerTls, TlsFiles

__all__ = [
    "A_TURN",
    "HALF_A_REQUEST",
    "CannotListen",
    "Client",
    "ClientLimits",
    "ListenerTls",
    "ModbusServer",
    "TlsFiles",
    "UnusableTls",
]
