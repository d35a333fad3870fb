// Tables under names that come from entries: nothing stands in them but what was put there, so that `constructor` or `__proto__` is a
// name as any other. The server has maps.
// @ts-check

/** An empty one. @template T @returns {{[name: string]: T}} */
export function table() {
  return Object.create(null);
}

/** Puts a member into a table, whatever its name. @template T @param {{[name: string]: T}} into @param {string} name @param {T} value */
export function put(into, name, value) {
  into[String(name)] = value;
}
