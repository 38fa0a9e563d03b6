"""The broker of last resort: amqtt, in Python, MQTT 3.1.1, for demo and tests where no mosquitto can be had.

Run as ``python -m crosslay.testing.embedded_broker PORT``. It listens on loopback only and keeps nothing.
"""

from __future__ import annotations

import argparse
import asyncio
import logging
import signal
import sys

HOST = "127.0.0.1"
#: The line on standard error that says that connections are accepted.
RUNNING = "embedded broker running"


async def serve(port: int) -> None:
    """Serve until SIGTERM or SIGINT.

    Parameters
    ----------
    port
        TCP port on loopback.
    """
    from amqtt.broker import Broker

    broker = Broker({
        "listeners": {"default": {"type": "tcp", "bind": f"{HOST}:{port}"}},
        "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
    })
    done = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, done.set)
    await broker.start()
    print(RUNNING, file=sys.stderr, flush=True)
    await done.wait()
    await broker.shutdown()


def main() -> int:
    """Parse the command line and serve."""
    parser = argparse.ArgumentParser(prog="python -m crosslay.testing.embedded_broker", description=__doc__)
    parser.add_argument("port", type=int, help="TCP port on loopback")
    port = parser.parse_args().port
    logging.basicConfig(level=logging.WARNING, stream=sys.stderr)
    asyncio.run(serve(port))
    return 0


if __name__ == "__main__":
    sys.exit(main())
