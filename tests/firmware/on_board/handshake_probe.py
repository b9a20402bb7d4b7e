"""Connects with encryption to whoever listens, and prints why that ended and how the program went on meanwhile."""

import asyncio
import json
import sys
import time

from node import tls
from node.mqtt import Client, MqttError


class Told:
    client_certificate = False


async def run():
    folder, port = sys.argv[1], int(sys.argv[2])
    context = tls.context(folder, Told)
    longest_ms = [0]
    beats = [0]

    async def watch():
        last_ms = time.ticks_ms()
        while True:
            await asyncio.sleep_ms(10)
            now_ms = time.ticks_ms()
            longest_ms[0] = max(longest_ms[0], time.ticks_diff(now_ms, last_ms))
            last_ms = now_ms
            beats[0] += 1

    def opens(host, at):
        return asyncio.open_connection(host, at, ssl=context, server_hostname=host)

    client = Client(
        opens,
        time.ticks_ms,
        "127.0.0.1",
        port,
        "node",
        source=lambda room, now_ms: None,
        on_message=print,
        on_up=lambda: None,
        answer_ms=1500,
    )
    watching = asyncio.create_task(watch())
    began_ms = time.ticks_ms()
    why = ""
    try:
        await client.run(lambda: None)
    except (MqttError, OSError, EOFError, ValueError) as error:
        why = f"{type(error).__name__}: {error}"
    took_ms = time.ticks_diff(time.ticks_ms(), began_ms)
    watching.cancel()
    print(json.dumps({"why": why, "beats": beats[0], "took_ms": took_ms, "longest_ms": longest_ms[0]}))


asyncio.run(run())
