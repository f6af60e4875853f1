// The ceiling alarm: words, a frame, and a sound once a press has allowed it.

import { get, make, say } from "./words.js";

// The words stay this long after the force is back.
const STAYS_MS = 2500;
const HIGH_HZ = 880;
const LOW_HZ = 660;
const BEEP_S = 0.14;

// Without a level nobody knows the region: the lowest ceiling of all holds, and none is named.
function details(alarm) {
  const whose = alarm.assumed ? `lowest ceiling ${alarm.ceiling_n} N, since no level is set` : `${alarm.region} ceiling ${alarm.ceiling_n} N`;
  return alarm.peak_n == null ? whose : `${whose} · highest ${Math.round(alarm.peak_n)} N`;
}

export class Alarm {
  constructor() {
    this.on = false;
    this.since = null;
    this.context = null;
    this.button = get("sound");
    this.button.addEventListener("click", () => this.toggle());
    this.tell();
  }

  // An alarm that lasts, or `null`. `words` says what is over, and `detail` what of, where it is not this page's own station.
  set(alarm, words, detail) {
    const on = Boolean(alarm?.on);
    if (on) {
      clearTimeout(this.since);
      this.since = null;
      this.show(alarm, words, detail);
      if (!this.on) this.sound(true);
    } else if (this.on) {
      this.sound(false);
      document.body.classList.remove("over");
      this.since = setTimeout(() => get("alarm").replaceChildren(), STAYS_MS);
    }
    this.on = on;
  }

  show(alarm, words = "Over the ceiling: ease off", detail = details(alarm)) {
    document.body.classList.add("over");
    const place = get("alarm");
    if (place.firstChild?.textContent === words) say(place.lastChild, detail);
    else place.replaceChildren(make("span", words), make("small", detail));
  }

  async toggle() {
    if (this.audible()) {
      await this.context.close();
      this.context = null;
    } else {
      try {
        this.context ??= new AudioContext({ latencyHint: "interactive" });
        await this.context.resume();
        this.ready();
      } catch {
        this.context = null;
        this.fault = "This browser gives no sound.";
      }
    }
    this.tell();
    if (this.audible() && !this.on) {
      // So that everybody knows what it sounds like.
      this.sound(true);
      setTimeout(() => this.on || this.sound(false), 600);
    }
  }

  // The tone runs all the time at no volume: an alarm only opens it.
  ready() {
    const tone = this.context.createOscillator();
    tone.type = "square";
    tone.frequency.value = HIGH_HZ;
    this.volume = this.context.createGain();
    this.volume.gain.value = 0;
    tone.connect(this.volume).connect(this.context.destination);
    tone.start();
    this.tone = tone;
    this.context.onstatechange = () => this.tell();
  }

  audible() {
    return this.context?.state === "running";
  }

  sound(on) {
    if (!this.audible()) return;
    const now = this.context.currentTime;
    this.volume.gain.cancelScheduledValues(now);
    this.volume.gain.setTargetAtTime(on ? 0.25 : 0, now, 0.004);
    clearInterval(this.swing);
    if (!on) return;
    let high = true;
    this.swing = setInterval(() => {
      high = !high;
      this.tone.frequency.setValueAtTime(high ? HIGH_HZ : LOW_HZ, this.context.currentTime);
    }, BEEP_S * 1000);
  }

  tell() {
    const on = this.audible();
    document.body.classList.toggle("mute", !on);
    this.button.setAttribute("aria-pressed", String(on));
    say(this.button.firstChild, on ? "Turn sound off" : "Turn sound on");
    say(get("sound-state"), on ? "Sound is on." : (this.fault ?? "Sound is off: alarm on screen only."));
  }
}
