type Path = (string | number)[];

/** Every place in a value, the outermost first. */
function placesIn(value: unknown, at: Path = []): Path[] {
  if (value === null || typeof value !== 'object') return [at];
  return [at, ...Object.entries(value).flatMap(([key, one]) => placesIn(one, [...at, key]))];
}

function withValue(value: unknown, [key, ...rest]: Path, change: (old: unknown) => unknown): unknown {
  if (key === undefined) return change(value);
  if (Array.isArray(value)) {
    return value.map((one, index) => (String(index) === String(key) ? withValue(one, rest, change) : one));
  }
  const own = value as Record<string, unknown>;
  return { ...own, [key]: withValue(own[String(key)], rest, change) };
}

const isObject = (value: unknown): value is Record<string, unknown> =>
  value !== null && typeof value === 'object' && !Array.isArray(value);

/** The order with one thing wrong at each of its places: another type, something that no order has, something missing. */
export function* wrongOrders(order: Record<string, unknown>): Generator<{ what: string; order: unknown }> {
  for (const path of placesIn(order)) {
    const what = path.join('.');
    if (path.length > 0) {
      yield {
        what: `${what} of another type`,
        order: withValue(order, path, (old) => (isObject(old) || Array.isArray(old) ? 'text' : { no: 1 })),
      };
    }
    let at: unknown = order;
    for (const key of path) at = (at as Record<string, unknown>)[key];
    if (isObject(at)) {
      yield {
        what: `${what} with more`,
        order: withValue(order, path, (old) => ({ ...(old as object), more: 7 })),
      };
    }
  }
}
