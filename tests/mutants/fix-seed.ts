import fc from 'fast-check';

// The same inventions for every mutant, so that one that is killed today is killed tomorrow.
fc.configureGlobal({ seed: 20261126, endOnFailure: true });
