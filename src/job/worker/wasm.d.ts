/** The bundler gives a compiled library as bytes. */
declare module '*.wasm' {
  const bytes: Uint8Array;
  export default bytes;
}
