#!/usr/bin/env python3
"""kill9.py BUILD_DIR [ROUNDS] - readings are posted without pause while the daemon, and separately the far end, are ended by kill -9 at random
moments and started again. At the end everything that was acknowledged must be in the chart, once, as counted by an independent reader
on the far end after its own restart.

Every id is chosen by the sender; a post whose answer was lost is sent again with the same id, as a careful client would.
"""
import http.client
import json
import os
import random
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import uuid

HERE = os.path.dirname(os.path.abspath(__file__))
ROOT = os.path.dirname(os.path.dirname(HERE))
FAR_END = os.path.join(ROOT, "tests", "far_end")


def free_port():
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


class Process:
    """One program that is started again and again with the same arguments; ended only by its own pid."""

    def __init__(self, arguments, port, log, path):
        self.arguments, self.port, self.path = arguments, port, path
        self.log = open(log, "ab")
        self.process = None

    def start(self, patience=30):
        self.process = subprocess.Popen(self.arguments, stdout=self.log, stderr=self.log, stdin=subprocess.DEVNULL)
        until = time.monotonic() + patience
        while time.monotonic() < until:
            try:
                connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=2)
                connection.request("GET", self.path)
                if connection.getresponse().status == 200:
                    return
            except OSError:
                pass
            if self.process.poll() is not None:
                raise RuntimeError("%s ended with %s" % (self.arguments[0], self.process.returncode))
            time.sleep(0.02)
        raise RuntimeError("%s did not become ready" % self.arguments[0])

    def kill(self):
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()

    def stop(self):
        self.process.terminate()
        try:
            self.process.wait(60)
        except subprocess.TimeoutExpired:
            self.kill()
            raise


class Sender(threading.Thread):
    """Posts one reading after the other; one that got no answer is posted again under the same id."""

    def __init__(self, port, number):
        super().__init__(daemon=True)
        self.port, self.number, self.acknowledged, self.going = port, number, [], True
        self.faults = []

    def body(self, identity, count):
        return json.dumps({
            "id": identity, "kind": "heart-rate", "value": 60 + count % 30, "unit": "/min",
            "patient": {"identifier": {"system": "https://clinic.example/mrn", "value": "WP-%d-%d" % (self.number, count % 7)},
                        "birthDate": "1951-03-14"},
            "taken": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())})

    def run(self):
        connection, count, body, identity = None, 0, None, None
        while self.going:
            if body is None:
                identity = str(uuid.uuid4())
                body = self.body(identity, count)
                count += 1
            try:
                if connection is None:
                    connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=10)
                connection.request("POST", "/v1/readings", body, {"Content-Type": "application/json"})
                answer = connection.getresponse()
                text = answer.read()
            except (OSError, http.client.HTTPException):
                connection = None
                time.sleep(0.01)
                continue
            if answer.status == 201:
                self.acknowledged.append(identity)
                body = None
            elif answer.status < 500:
                self.faults.append((answer.status, text[:300]))
                body = None
            time.sleep(random.random() * 0.01)


def status(port):
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
    connection.request("GET", "/v1/status")
    return json.loads(connection.getresponse().read())


def main():
    build = os.path.abspath(sys.argv[1])
    rounds = int(sys.argv[2]) if len(sys.argv) > 2 else 100
    seed = int(os.environ.get("SEED", str(int(time.time()))))
    chance = random.Random(seed)
    folder = tempfile.mkdtemp(prefix="kill9.")
    port, far_port = free_port(), free_port()
    far_end = Process(["node", os.path.join(FAR_END, "server.mjs"), "--port", str(far_port), "--data", os.path.join(folder, "far")],
                      far_port, os.path.join(folder, "far.log"), "/fhir/metadata")
    config = os.path.join(folder, "wardpost.conf")
    with open(config, "w") as out:
        out.write('intake { listen = "127.0.0.1:%d" }\nstore { path = "%s/w.db" }\nmapping { table = "%s/mappings" }\n'
                  'courier { server = "http://127.0.0.1:%d/fhir"  request_timeout = "2 s"  retry_first = "100 ms"  retry_most = "1 s" }\n'
                  % (port, folder, ROOT, far_port))
    daemon = Process([os.path.join(build, "wardpostd"), "--config", config, "--demo"], port, os.path.join(folder, "daemon.log"), "/health/ready")
    far_end.start()
    daemon.start()
    senders = [Sender(port, i) for i in range(4)]
    for sender in senders:
        sender.start()
    kills = {"daemon": 0, "far end": 0}
    begun = time.monotonic()
    for _ in range(rounds):
        time.sleep(chance.random() * 0.25)
        victim, name = (daemon, "daemon") if chance.random() < 0.6 else (far_end, "far end")
        victim.kill()
        kills[name] += 1
        time.sleep(chance.random() * 0.1)
        victim.start()
    for sender in senders:
        sender.going = False
    for sender in senders:
        sender.join(30)
    acknowledged = [identity for sender in senders for identity in sender.acknowledged]
    faults = [fault for sender in senders for fault in sender.faults]
    until = time.monotonic() + 120
    while time.monotonic() < until:
        now = status(port)
        if now["waiting"] == 0:
            break
        time.sleep(0.2)
    daemon.stop()
    far_end.kill()
    far_end.start()
    counted = subprocess.run(["node", os.path.join(FAR_END, "count.mjs"), "http://127.0.0.1:%d/fhir" % far_port, "--list"],
                             capture_output=True, text=True, timeout=300)
    far_end.stop()
    report = json.loads(counted.stdout)
    charted = report["list"] if isinstance(report.get("list"), dict) else {entry: 1 for entry in report.get("list", [])}
    charted = {key.split("urn:uuid:")[-1]: value for key, value in charted.items()}
    missing = [identity for identity in acknowledged if identity not in charted]
    good = not missing and not report["duplicates"] and not faults and len(acknowledged) > rounds and now["held"] == 0 and now["waiting"] == 0
    print("seed %d, %.0f s: killed the daemon %d times and the far end %d times; %d acknowledged, %d on the far end, %d missing, "
          "%d more than once, %d held, %d refused" %
          (seed, time.monotonic() - begun, kills["daemon"], kills["far end"], len(acknowledged), report["resources"], len(missing),
           len(report["duplicates"]), now["held"], len(faults)))
    if faults:
        print(faults[:3])
    if not good:
        print("kept for a look: %s; missing %s" % (folder, missing[:5]))
    else:
        subprocess.run(["rm", "-rf", folder], check=False)
    print("%d passed, %d failed" % (1 if good else 0, 0 if good else 1))
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
