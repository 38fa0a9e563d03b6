"""The plainest loop that publishes a database's results at QoS 1 with a window, and says how long it took.

Run as ``python raw_publisher.py PORT TOPIC WINDOW DATABASE``; prints seconds from the first PUBLISH to the last PUBACK.
"""

from __future__ import annotations

import sqlite3
import sys
import time

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion


def main() -> None:
    port, topic, window, database = int(sys.argv[1]), sys.argv[2], int(sys.argv[3]), sys.argv[4]
    connection = sqlite3.connect(database)
    payloads = [row[0] for row in connection.execute("SELECT payload FROM result ORDER BY sequence")]
    connection.close()
    in_flight = 0

    def on_publish(*_arguments: object) -> None:
        nonlocal in_flight
        in_flight -= 1

    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.max_inflight_messages_set(0)
    client.on_publish = on_publish
    client.connect("127.0.0.1", port)
    while not client.is_connected():
        client.loop(0.1)
    began = time.perf_counter()
    for payload in payloads:
        while in_flight >= window:
            client.loop(1.0)
        client.publish(topic, payload, qos=1)
        in_flight += 1
    while in_flight:
        client.loop(1.0)
    print(time.perf_counter() - began)
    client.disconnect()


if __name__ == "__main__":
    main()
