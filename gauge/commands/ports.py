"""`gauge ports`: the serial ports of this machine."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from gauge.clikit import json_option
from gauge.printed import document, echo, emit_json, print_table

if TYPE_CHECKING:
    from gauge.port.serialport import PortInfo


@click.command("ports")
@json_option
def command(as_json: bool) -> None:
    """List the serial ports.

    Run it with the gauge unplugged and then plugged in: the new line is the gauge.

    \b
    gauge ports
    """  # noqa: D301
    from gauge.port.serialport import serial_ports

    found = serial_ports()
    if as_json:
        emit_json({"ports": [_document(info) for info in found]})
        return
    if not found:
        echo("No serial port found. Plug the gauge in; on Linux, 'dmesg' names its port.")
        return
    rows = []
    for info in found:
        vendor, product, serial = info.identity or (None, None, None)
        usb = "" if vendor is None else f"{vendor:04x}:{product:04x} {serial or ''}".strip()
        rows.append([info.port, info.description, usb])
    print_table(["port", "description", "USB identity"], rows, left=(0, 1, 2), whole=(0,))


def _document(info: PortInfo) -> dict[str, Any]:
    usb = document(info, "usb_vendor", "usb_product", "usb_serial")
    known = {name.removeprefix("usb_"): value for name, value in usb.items()}
    return document(info, "port", "description") | {"usb": known if info.identity else None}
