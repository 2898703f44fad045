/** File systems that live in memory or show the kernel's own state: no disk is beneath them. */
const virtual = new Set(
  (
    'autofs bdev binder binfmt_misc bpf cgroup cgroup2 configfs cpuset debugfs devpts devtmpfs dmabuf drm ' +
    'efivarfs fusectl hugetlbfs mqueue nfsd nsfs pipefs proc pstore ramfs resctrl rootfs rpc_pipefs ' +
    'securityfs selinuxfs smackfs sockfs sysfs tmpfs tracefs functionfs guest_memfd secretmem xenfs'
  ).split(' '),
);

/** File systems whose bytes lie on another machine, or with a process that serves them. */
const remote = new Set(
  '9p afs ceph cifs coda fuse glusterfs gfs2 lustre ncpfs nfs nfs4 orangefs smb3 virtiofs'.split(' '),
);

export type FileSystemKind = 'virtual' | 'remote' | 'stored';

/** Where a file system of that type keeps its bytes; `stored` means a disk must be found beneath it. */
export function fileSystemKind(fsType: string): FileSystemKind {
  if (virtual.has(fsType)) return 'virtual';
  return remote.has(fsType) || fsType.startsWith('fuse.') ? 'remote' : 'stored';
}
