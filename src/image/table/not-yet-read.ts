/** A read that has to wait: the source is a stream that has not come so far. It never leaves this room. */
export class NotYetRead extends Error {}
