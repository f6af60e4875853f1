// The stream from the program: comes back by itself, and says so.

const RETRY_MS = 700;

export class Stream {
  // `on` has a function for each event of the stream, and `state` for the words of the connection.
  constructor(on, path = "/events") {
    this.on = on;
    this.path = path;
    this.quickest = Infinity;
    this.was = false;
    this.open();
  }

  open() {
    this.source = new EventSource(this.path);
    this.source.onopen = () => {
      this.on.state(true, this.was ? "Connected again." : "Connected.");
      this.was = true;
    };
    this.source.onerror = () => {
      this.on.state(false, "Connection to the program lost. Trying again …");
      // After an answer other than a stream the browser gives up for good: begin anew.
      if (this.source.readyState === EventSource.CLOSED) setTimeout(() => this.open(), RETRY_MS);
    };
    for (const name of new Set(["welcome", ...Object.keys(this.on).filter((name) => name !== "state")])) {
      this.source.addEventListener(name, (event) => this.take(name, JSON.parse(event.data)));
    }
  }

  take(name, data) {
    if (name === "welcome") {
      // The program's clock may have begun anew.
      this.quickest = Infinity;
    } else if (name === "frame") {
      const travelled = performance.now() - data.sent_ms;
      this.quickest = Math.min(this.quickest, travelled);
      // What this frame took beyond the quickest one.
      data.late_ms = travelled - this.quickest;
    }
    this.on[name]?.(data);
  }
}
