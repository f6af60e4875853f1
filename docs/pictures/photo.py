"""Photographs the top of a page by chromium: photo.py FILE WIDTH HEIGHT ADDRESS SECONDS [WORD] (make.sh calls it).

With WORD, it waits after those seconds until the page shows a line that is that word.
"""

import base64
import json
import subprocess
import sys
import time
import urllib.request

DRIVER = "http://127.0.0.1:9517"


def ask(path, **content):
    data = json.dumps(content).encode()
    request = urllib.request.Request(DRIVER + path, data, {"Content-Type": "application/json"})
    with urllib.request.urlopen(request) as answer:
        return json.load(answer)["value"]


def main():
    file, width, height, address, seconds, *word = sys.argv[1:]
    driver = subprocess.Popen(["chromedriver", "--port=9517"], stdout=subprocess.PIPE, text=True)
    while "started successfully" not in driver.stdout.readline():
        pass
    size = f"--window-size={width},{height}"
    options = {"args": ["--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", size]}
    always = {"browserName": "chrome", "goog:chromeOptions": options}
    session = "/session/" + ask("/session", capabilities={"alwaysMatch": always})["sessionId"]
    try:
        ask(session + "/url", url=address)
        time.sleep(float(seconds))
        text = {"script": "return document.body.innerText", "args": []}
        while word and word[0] not in ask(session + "/execute/sync", **text).splitlines():
            time.sleep(0.02)
        with urllib.request.urlopen(DRIVER + session + "/screenshot") as answer:
            picture = base64.b64decode(json.load(answer)["value"])
        with open(file, "wb") as out:
            out.write(picture)
    finally:
        with urllib.request.urlopen(urllib.request.Request(DRIVER + session, method="DELETE")):
            driver.terminate()


if __name__ == "__main__":
    main()
