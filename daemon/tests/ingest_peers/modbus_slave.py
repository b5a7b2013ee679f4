"""A Modbus device with known registers: `modbus_slave.py tcp PORT` or `modbus_slave.py rtu PATH`.

The numbers are coded by the struct module, independently of the reader under test.
"""

import asyncio
import struct
import sys

import pymodbus.server as server
from pymodbus.datastore import ModbusSequentialDataBlock, ModbusServerContext

try:  # the words of newer releases
    from pymodbus.datastore import ModbusDeviceContext as Device
except ImportError:
    from pymodbus.datastore import ModbusSlaveContext as Device
try:
    from pymodbus.framer import FramerType

    RTU = FramerType.RTU
except ImportError:
    from pymodbus.transaction import ModbusRtuFramer as RTU


def words(layout, *numbers):
    data = struct.pack(layout, *numbers)
    return list(struct.unpack(f">{len(data) // 2}H", data))


def device(holding, inputs):
    # Blocks count from 1, requests from 0.
    return Device(hr=ModbusSequentialDataBlock(1, holding), ir=ModbusSequentialDataBlock(1, inputs))


def swapped(pair):
    return [pair[1], pair[0]]


meter = device(
    words(">HhfI", 1142, -31, 3.198, 123456),
    swapped(words(">f", -0.25)) + words(">i", -70000) + [((w & 0xFF) << 8) | w >> 8 for w in words(">f", 9.5)],
)
thermometer = device([77], [0])
devices = {1: meter, 2: thermometer}
try:
    context = ModbusServerContext(devices=devices, single=False)
except TypeError:
    context = ModbusServerContext(slaves=devices, single=False)


async def main():
    kind, where = sys.argv[1:]
    if kind == "tcp":
        await server.StartAsyncTcpServer(context, address=("127.0.0.1", int(where)))
    else:
        await server.StartAsyncSerialServer(context, framer=RTU, port=where, baudrate=19200)


asyncio.run(main())
