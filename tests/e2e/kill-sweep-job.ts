/** One job in a process of its own, to be killed: prints its events and its end as JSON lines. */
import { openJobKit, runJobOn } from './job-on-disk.ts';

const [folder = '', node = '', majorMinor = ''] = process.argv.slice(2);
const tell = (line: object) => void process.stdout.write(`${JSON.stringify(line)}\n`);

const kit = await openJobKit(folder);
const { error } = await runJobOn({ node, majorMinor }, kit, { onEvent: tell });
tell({ type: 'end', code: error?.code ?? null, card: error?.card ?? 'done' });
