/** Maps in order of the input with at most `limit` calls under way, so that a big machine is not asked everything at once. */
export async function mapLimited<T, R>(
  items: readonly T[],
  limit: number,
  map: (item: T) => Promise<R>,
): Promise<R[]> {
  const results: R[] = new Array(items.length);
  let next = 0;
  const lane = async (): Promise<void> => {
    for (let at = next++; at < items.length; at = next++) {
      results[at] = await map(items[at] as T);
    }
  };
  await Promise.all(Array.from({ length: Math.min(limit, items.length) }, lane));
  return results;
}
