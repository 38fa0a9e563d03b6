"""A consumer by somebody who knows the README and the published contract, and nothing else of the program."""
import json
import sqlite3
import sys
import time

import paho.mqtt.client as mqtt

port, topic, path = int(sys.argv[1]), sys.argv[2], sys.argv[3]
db = sqlite3.connect(path)
db.executescript("PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; CREATE TABLE IF NOT EXISTS result "
                 "(instance TEXT, sequence INTEGER, payload BLOB, PRIMARY KEY (instance, sequence));")
through = {}

def on_message(client, _userdata, message):
    event = json.loads(message.payload)
    if message.topic.endswith("/state"):  # what is done already never comes again
        done = max(event.get("acknowledgedThrough", 0), event.get("firstSequence", 1) - 1)
        through[event["instanceId"]] = max(done, through.get(event["instanceId"], 0))
        return
    instance, sequence = event["data"]["instanceId"], event["data"]["sequence"]
    with db:
        db.execute("INSERT OR IGNORE INTO result VALUES (?, ?, ?)", (instance, sequence, message.payload))
    number = through.get(instance, 0)
    while db.execute("SELECT 1 FROM result WHERE instance = ? AND sequence = ?", (instance, number + 1)).fetchone():
        number += 1
    through[instance] = number
    answer = {"instanceId": instance, "acknowledgedThrough": number}
    client.publish(f"{topic}/v1/result/ack", json.dumps(answer), qos=1)

client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
client.on_connect = lambda client, *_: client.subscribe([(f"{topic}/v1/state", 1), (f"{topic}/v1/result", 1)])
client.on_message = on_message
client.reconnect_delay_set(1, 2)
while True:
    try:
        client.connect("127.0.0.1", port, keepalive=5)
        client.loop_forever()
    except OSError:
        time.sleep(0.5)
