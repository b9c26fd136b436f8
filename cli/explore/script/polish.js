/** Polish from here: the settings improved in a thread of its own, with progress, and a stop that keeps the best. */

import { byId, fixed, say } from "./dom.js";
import { addTimes } from "./numbers.js";
import { searched } from "./search.js";

/** @typedef {import("./descent.js").Problem} Problem */
/** @typedef {import("./descent.js").Settings} Settings */

const EFFORT = { hops: 24, seed: 1 };

export class Polish {
  /** @param {import("./app.js").App} app */
  constructor(app) {
    this.app = app;
    /** @type {Worker | null} */
    this.worker = null;
    this.running = false;
    this.first = 0;
    /** @type {import("./search.js").Best | null} */
    this.best = null;
    /** @type {import("./types.js").State | null} */
    this.from = null;
    this.button = byId("polish");
    this.bar = /** @type {HTMLProgressElement} */ (byId("polish-bar"));
    this.button.addEventListener("click", () => (this.running ? this.end("stopped") : this.start()));
  }

  /** @returns {{problem: Problem, start: Settings, channels: number[]} | null} */
  problem() {
    const { app } = this;
    const { state, judge, data } = app;
    const subs = state.subs.filter((sub) => sub.on);
    const { drawn, share, seats } = judge.listeners(state);
    if (!subs.length || !seats.length) return null;
    const channels = [...new Set(subs.map((sub) => sub.channel))];
    const columns = channels.map((channel) => {
      const own = subs.filter((sub) => sub.channel === channel);
      const sum = new Float64Array(2 * data.hz.length * share.length);
      for (const sub of own) {
        const plain = judge.weight({ ...sub, gain: 0, delay: 0, polarity: 1 });
        addTimes(sum, judge.column(sub, state, drawn), plain, share.length);
      }
      return sum;
    });
    const lead = channels.map(
      (channel) => /** @type {import("./types.js").Sub} */ (subs.find((sub) => sub.channel === channel)),
    );
    const { gain, gain_step: gainStep, delay, step, polarity } = data.drives;
    const reward = share.length > 1 ? 0 : 1;
    return {
      problem: { hz: data.hz, share, columns, gain, gainStep, delay, step, polarity, reward },
      start: {
        gain: lead.map((sub) => sub.gain),
        delay: lead.map((sub) => sub.delay),
        polarity: lead.map((sub) => sub.polarity),
      },
      channels,
    };
  }

  start() {
    const found = this.problem();
    if (!found) {
      this.app.refuse("Nothing sounds: there is nothing to polish.");
      return;
    }
    this.running = true;
    this.best = null;
    this.from = this.app.state;
    this.channels = found.channels;
    this.first = this.app.numbers ? this.app.numbers.variation : 0;
    this.several = found.problem.share.length > 1;
    this.bar.hidden = false;
    this.bar.removeAttribute("value");
    say(this.button, "Stop polishing");
    const message = { problem: found.problem, start: found.start, effort: EFFORT };
    const text = byId("worker-script").textContent ?? "";
    try {
      this.worker = new Worker(URL.createObjectURL(new Blob([text], { type: "text/javascript" })));
      this.worker.onmessage = (event) => this.took(event.data);
      this.worker.onerror = () => this.here(message);
      this.worker.postMessage(message);
    } catch {
      this.here(message);
    }
  }

  /**
   * Where no thread can be started: hop by hop, between frames.
   * @param {{problem: Problem, start: Settings, effort: {hops: number, seed: number}}} message
   */
  here({ problem, start, effort }) {
    const steps = searched(problem, start, effort);
    const go = () => {
      if (!this.running) return;
      const next = steps.next();
      this.took(next.done ? null : next.value);
      if (!next.done) window.setTimeout(go);
    };
    go();
  }

  /** @param {import("./search.js").Best | null} best null at the end */
  took(best) {
    if (!this.running) return;
    if (!best) {
      this.end("finished");
      return;
    }
    this.best = best;
    this.bar.max = best.total;
    this.bar.value = best.done;
    const now = this.several ? `: variation ${fixed(Math.sqrt(Math.max(best.value, 0)), 2)} dB` : "";
    say(byId("polish-said"), `Trial ${best.done} of ${best.total}${now}`);
  }

  /** @param {string} how */
  end(how) {
    this.running = false;
    if (this.worker) this.worker.terminate();
    this.worker = null;
    this.bar.hidden = true;
    say(this.button, "Polish from here");
    const { app, best, channels } = this;
    if (!best || !channels) {
      say(byId("polish-said"), "Stopped before anything was found.");
      return;
    }
    if (app.state !== this.from) {
      say(
        byId("polish-said"),
        "The subs were changed meanwhile; what was found is for where they were, and is dropped.",
      );
      return;
    }
    app.rest();
    app.change({
      ...app.state,
      subs: app.state.subs.map((sub) => {
        const at = channels.indexOf(sub.channel);
        if (at < 0) return sub;
        const { gain, delay, polarity } = best.settings;
        return { ...sub, gain: gain[at], delay: delay[at], polarity: polarity[at] };
      }),
    });
    const after = app.numbers ? app.numbers.variation : 0;
    const words = this.several
      ? `variation ${fixed(this.first, 2)} dB before, ${fixed(after, 2)} dB now`
      : "output is the most found";
    say(
      byId("polish-said"),
      `Polishing ${how}: ${words}. The best found from here at these places; optimise searches further.`,
    );
  }
}
