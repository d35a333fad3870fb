// Drawing takes time: two runs beside each other could end in the wrong order, and the older truth would stay on the screen.

/** One run at a time; calls meanwhile make one more run after it. @param {() => Promise<void>} run */
export function once(run) {
  /** @type {Promise<void> | null} */
  let running = null;
  let more = false;
  const start = async () => {
    try {
      do {
        more = false;
        await run().catch((error) => {
          // What was asked for meanwhile is still done.
          if (!more) throw error;
        });
      } while (more);
    } finally {
      running = null;
    }
  };
  return () => {
    if (running) more = true;
    return (running ??= start());
  };
}
