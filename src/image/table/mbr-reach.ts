/** An MBR counts sectors in 32 bits. */
export const mostMbrSectors = 2 ** 32;
