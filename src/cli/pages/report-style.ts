/** One column that a telephone shows without being moved sideways; wide tables scroll in themselves. */
export const reportStyle = `
:root { --accent: #14532d; --bad: #9f1239; --line: #cfcbc2; --faint: #57534e; color-scheme: light }
body { margin: 0; background: #fff; color: #1c1917; font: 16px/1.45 system-ui, "DejaVu Sans", "Liberation Sans", Arial, sans-serif }
main { max-width: 60rem; margin: 0 auto; padding: 1rem }
h1 { font-size: 1.6rem; margin: .5rem 0 }
h2 { font-size: 1.2rem; margin: 2rem 0 .5rem; border-bottom: 1px solid var(--line) }
h3 { font-size: 1.05rem; margin: 0 0 .25rem }
h3 span, .small { color: var(--faint); font-weight: 400; font-size: .9rem }
p { margin: .4rem 0; overflow-wrap: anywhere }
.lead { font-size: 1.1rem }
dl { margin: 1rem 0; display: grid; gap: .15rem }
dl div { display: grid; grid-template-columns: 5.5rem 1fr }
dt { color: var(--faint) }
dd { margin: 0; overflow-wrap: anywhere }
.wide { overflow-x: auto }
table { border-collapse: collapse; font-size: .95rem; min-width: 100% }
th, td { text-align: left; padding: .3rem .6rem .3rem 0; border-bottom: 1px solid var(--line); vertical-align: top; white-space: nowrap; font-weight: 400 }
thead th { color: var(--faint) }
tbody th { font-weight: 600 }
.number { text-align: right; font-variant-numeric: tabular-nums }
.done td:nth-child(3), .done-before td:nth-child(3) { color: var(--accent) }
.not-done td:nth-child(3) { color: var(--bad); font-weight: 600 }
.time { min-width: 0; width: 100% }
.time th { font-weight: 400 }
.share { width: 45%; min-width: 6rem }
.share svg { width: 100%; height: .8rem; display: block }
.share rect { fill: var(--accent) }
section { margin: 1.2rem 0; break-inside: avoid }
ul { margin: .4rem 0; padding-left: 1.2rem }
.advice { border-left: 3px solid var(--bad); padding-left: .6rem }
svg { display: block; width: 100%; height: auto }
.bench, .rates { max-width: 42rem }
svg text { font-size: 13px; fill: #1c1917 }
.grid path { stroke: var(--line); stroke-width: 1; fill: none }
.grid text { fill: var(--faint) }
path.write, path.verify { fill: none; stroke-width: 1.8 }
path.write { stroke: var(--accent) }
path.verify { stroke: #7c2d12; stroke-dasharray: 5 3 }
text.write { fill: var(--accent) }
text.verify { fill: #7c2d12 }
rect.image { fill: #a8a29e }
rect.done { fill: var(--accent) }
rect.failed { fill: #fff; stroke: var(--bad); stroke-width: 1.5; stroke-dasharray: 4 2 }
.bench text.on { fill: #fff }
.bench rect.failed + text.on, .bench rect.image + text.on { fill: #1c1917 }
@media (max-width: 34rem) {
  .share { display: none }
}
@media print {
  main { max-width: none; padding: 0 }
  .wide { overflow: visible }
  svg, rect { print-color-adjust: exact; -webkit-print-color-adjust: exact }
}
`;
