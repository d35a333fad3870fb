// Change notices, in this tab and the others. A notice says only where to look again.
// @ts-check

export class Bus {
  /** @param {BroadcastChannel | undefined} channel */
  constructor(channel) {
    this.channel = channel;
    /** @type {Map<string, Set<() => void>>} */
    this.listeners = new Map();
    /** @type {Set<string>} */
    this.pending = new Set();
    /** What another tab said, for the queue to hear of new items. @type {(topic: string) => void} */
    this.heard = () => {};
    channel?.addEventListener("message", ({ data }) => {
      if (typeof data !== "string") return;
      this.#deliver(data);
      this.heard(data);
    });
  }

  /** @param {string} topic @param {() => void} listener @returns {() => void} stops it */
  on(topic, listener) {
    const set = this.listeners.get(topic) ?? new Set();
    this.listeners.set(topic, set.add(listener));
    return () => {
      set.delete(listener);
    };
  }

  /** Many notices of one topic in one turn become one. @param {string} topic */
  say(topic) {
    if (this.pending.size === 0) queueMicrotask(() => this.#flush());
    this.pending.add(topic);
  }

  #flush() {
    const topics = [...this.pending];
    this.pending.clear();
    for (const topic of topics) {
      this.channel?.postMessage(topic);
      this.#deliver(topic);
    }
  }

  /** @param {string} topic */
  #deliver(topic) {
    for (const listener of [...(this.listeners.get(topic) ?? [])]) {
      try {
        listener();
      } catch (error) {
        // One page part that fails must not keep the others from hearing.
        console.error(error);
      }
    }
  }
}
