import packageFacts from '../../package.json' with { type: 'json' };

export const toolVersion: string = packageFacts.version;
