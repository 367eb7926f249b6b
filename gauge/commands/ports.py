"""`gauge ports`: the serial ports of this machine."""

from __future__ import annotations

import click

from gauge.clikit import emit_json, json_option, say


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
        emit_json(
            {
                "ports": [
                    {
                        "port": info.port,
                        "description": info.description,
                        "usb": None
                        if info.identity is None
                        else {
                            "vendor": info.usb_vendor,
                            "product": info.usb_product,
                            "serial": info.usb_serial,
                        },
                    }
                    for info in found
                ]
            }
        )
        return
    for info in found:
        usb = ""
        if info.usb_vendor is not None and info.usb_product is not None:
            usb = f"  USB {info.usb_vendor:04x}:{info.usb_product:04x} {info.usb_serial or ''}"
        click.echo(f"{info.port}  {info.description}{usb}".rstrip())
    if not found:
        say("No serial port found. Plug the gauge in; on Linux, 'dmesg' names its port.")
