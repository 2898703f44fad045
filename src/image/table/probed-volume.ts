/** What stands at a place, by its first sectors. */
export interface ProbedVolume {
  /** "fat12", "fat16", "fat32", "ext4", "iso9660", … */
  type: string;
  label: string | null;
  uuid: string | null;
  /** size the volume itself claims; null where it does not say */
  volumeBytes: number | null;
}
