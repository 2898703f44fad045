import type { EventPort, JobEvent } from '../../contract/events.ts';
import type { CurvePoint, PhaseCurve } from '../../records/record-types.ts';

/** More points than a screen has columns; a job of an hour keeps no more than that. */
const mostPoints = 300;

/** Leaves out every second point but the last, so that the curve keeps its shape and its end. */
export function thinCurve(points: readonly CurvePoint[], most = mostPoints): CurvePoint[] {
  let kept = [...points];
  while (kept.length > most) kept = kept.filter((_, at) => at % 2 === 0 || at === kept.length - 1);
  return kept;
}

export interface CurveTap {
  port: EventPort;
  curve(): PhaseCurve[];
}

/** Passes everything on to a port and keeps how fast each phase went. */
export function tapCurve(to: EventPort, now: () => number): CurveTap {
  const curves: { phase: PhaseCurve['phase']; begunAtMs: number; points: CurvePoint[] }[] = [];
  const note = (event: JobEvent) => {
    const current = curves.at(-1);
    if (event.type === 'phase' && event.state === 'begin') {
      curves.push({ phase: event.phase, begunAtMs: now(), points: [] });
    } else if (event.type === 'progress' && current?.phase === event.phase) {
      const elapsedMs = Math.max(0, Math.round(now() - current.begunAtMs));
      current.points.push({ elapsedMs, doneBytes: event.doneBytes });
      // Twice as many are gathered before half of them go, so long jobs are thinned seldom.
      if (current.points.length > 2 * mostPoints) current.points = thinCurve(current.points);
    }
  };
  return {
    port: {
      emit(event) {
        note(event);
        to.emit(event);
      },
    },
    curve: () =>
      curves
        .filter(({ points }) => points.length > 0)
        .map(({ phase, points }) => ({ phase, points: thinCurve(points) })),
  };
}
