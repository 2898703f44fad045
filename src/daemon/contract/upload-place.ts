/** An image on its way to the daemon, or there already. */
export interface UploadState {
  /** of the file as stored, in hex */
  sha256: string;
  sizeBytes: number;
  receivedBytes: number;
  isComplete: boolean;
}

/** Where the front keeps an image, below its folder: by a piece of the caller's digest, under the image's own SHA-256. */
export const uploadPath = (caller: string, sha256: string): string => `${callerFolder(caller)}/${sha256}`;

export const callerFolder = (caller: string): string => caller.slice(0, 32);
