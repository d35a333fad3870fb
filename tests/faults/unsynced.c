/* What would survive a power cut: a preloaded library that keeps, beside a folder, only what was synced.
 *
 * A program runs with LD_PRELOAD=unsynced.so, UNSYNCED_ROOT=<folder> and UNSYNCED_SHADOW=<folder outside it>. The
 * strict POSIX model: a file's content survives as of its last fsync or fdatasync, the names in a folder as of that
 * folder's last fsync, and nothing else: no write, ftruncate, rename, link, unlink or mkdir, no sync_file_range, no
 * O_SYNC. Hence only the syncs are interposed: whatever happened between them is seen in what they find. (A file's
 * sync also makes its name durable on some file systems. Not here: nothing may rest on that.)
 *
 * The shadow holds one record for a synced file or folder, named by its identity `<device>-<inode>-<birth time>`,
 * which no later file gets again (an inode number alone is reused):
 *   a file    its content
 *   a folder  a line for each name in it: `<mode, octal> <identity> <name>`
 * Each record is replaced whole, under a lock on `<shadow>/lock`, so that who copies the shadow under that lock
 * gets one moment. The record is made before the real sync starts: what is written meanwhile is not promised.
 *
 *   UNSYNCED_SKIP=file|dir|wal  this class of sync leaves no record, as if the program did not ask for it:
 *                               `wal` is a file named `*-wal`; `dir` a folder, but not one that holds a `*-wal`
 *                               (SQLite itself syncs that); `file` any other file, but not one of a database
 *   UNSYNCED_SLOW_MS=n          the disk is slow: wait before recording, so that a program that answers first and
 *                               syncs later is caught
 *
 * A record that cannot be made ends the program: a test must never pass because the shim was broken.
 */
#define _GNU_SOURCE
#include <dirent.h>
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

static const char *root, *shadow, *skip;
static size_t root_length;
static long slow_ms;
static int (*real_fsync)(int);
static int (*real_fdatasync)(int);

static void broken(const char *what, const char *where) {
    fprintf(stderr, "unsynced: %s: %s: %s\n", what, where, strerror(errno));
    abort();
}

__attribute__((constructor)) static void start(void) {
    root = getenv("UNSYNCED_ROOT");
    shadow = getenv("UNSYNCED_SHADOW");
    skip = getenv("UNSYNCED_SKIP");
    const char *slow = getenv("UNSYNCED_SLOW_MS");
    slow_ms = slow ? atol(slow) : 0;
    if (!root || !shadow || root[0] != '/') broken("UNSYNCED_ROOT (absolute) and UNSYNCED_SHADOW must be set", "-");
    root_length = strlen(root);
    real_fsync = (int (*)(int))dlsym(RTLD_NEXT, "fsync");
    real_fdatasync = (int (*)(int))dlsym(RTLD_NEXT, "fdatasync");
    if (!real_fsync || !real_fdatasync) broken("dlsym", "fsync");
}

static int ends_with(const char *text, const char *end) {
    size_t n = strlen(text), m = strlen(end);
    return n >= m && !strcmp(text + n - m, end);
}

/* The identity of an open file or, with a name, of an entry of an open folder. */
static void identify(int fd, const char *name, char out[96], mode_t *mode) {
    struct statx s;
    int flags = AT_SYMLINK_NOFOLLOW | (*name ? 0 : AT_EMPTY_PATH);
    if (statx(fd, name, flags, STATX_BASIC_STATS | STATX_BTIME, &s)) broken("statx", *name ? name : "(open file)");
    errno = 0;
    if (!(s.stx_mask & STATX_BTIME)) broken("this file system tells no birth time", name);
    snprintf(out, 96, "%x.%x-%llu-%lld.%09u", s.stx_dev_major, s.stx_dev_minor, (unsigned long long)s.stx_ino,
             (long long)s.stx_btime.tv_sec, s.stx_btime.tv_nsec);
    *mode = s.stx_mode;
}

/* A second descriptor of the same file, for reading, with an offset of its own. */
static int reopen(int fd, int flags) {
    char link[64];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    int again = open(link, O_RDONLY | O_CLOEXEC | flags);
    if (again < 0) broken("open", link);
    return again;
}

static void record_file(int fd, FILE *to) {
    static char buffer[1 << 16]; /* under the lock below */
    int from = reopen(fd, 0);
    ssize_t n;
    while ((n = read(from, buffer, sizeof buffer)) > 0)
        if (fwrite(buffer, 1, (size_t)n, to) != (size_t)n) broken("write", "record");
    if (n < 0) broken("read", "file");
    close(from);
}

static void record_folder(int fd, FILE *to) {
    DIR *folder = fdopendir(reopen(fd, O_DIRECTORY));
    if (!folder) broken("fdopendir", "folder");
    struct dirent *e;
    while ((e = readdir(folder))) {
        if (!strcmp(e->d_name, ".") || !strcmp(e->d_name, "..")) continue;
        if (strchr(e->d_name, '\n')) broken("a name with a line end", e->d_name);
        struct stat there;
        if (fstatat(dirfd(folder), e->d_name, &there, AT_SYMLINK_NOFOLLOW)) {
            if (errno == ENOENT) continue; /* gone meanwhile */
            broken("fstatat", e->d_name);
        }
        char id[96];
        mode_t mode;
        identify(dirfd(folder), e->d_name, id, &mode);
        fprintf(to, "%o %s %s\n", mode, id, e->d_name);
    }
    closedir(folder);
}

static int holds_wal(int fd) {
    DIR *folder = fdopendir(reopen(fd, O_DIRECTORY));
    if (!folder) broken("fdopendir", "folder");
    struct dirent *e;
    int found = 0;
    while (!found && (e = readdir(folder))) found = ends_with(e->d_name, "-wal");
    closedir(folder);
    return found;
}

static const char *class_of(int fd, const char *path, mode_t mode) {
    if (S_ISDIR(mode)) return holds_wal(fd) ? "database folder" : "dir";
    if (ends_with(path, "-wal")) return "wal";
    const char *database[] = {".db", ".sqlite", ".sqlite3", "-journal", "-shm"};
    for (size_t i = 0; i < sizeof database / sizeof *database; i++)
        if (ends_with(path, database[i])) return "database";
    return "file";
}

/* Records what a sync of `fd` makes durable. */
static void record(int fd) {
    char link[64], path[4096], id[96], record[4400], fresh[4410];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(link, path, sizeof path - 1);
    if (n < 0) return; /* not an open file: the real call says so */
    path[n] = 0;
    if (strncmp(path, root, root_length) || (path[root_length] != '/' && path[root_length])) return;
    mode_t mode;
    identify(fd, "", id, &mode);
    if (!S_ISREG(mode) && !S_ISDIR(mode)) return;
    if (slow_ms) {
        struct timespec wait = {slow_ms / 1000, (slow_ms % 1000) * 1000000};
        nanosleep(&wait, NULL);
    }
    if (skip && !strcmp(skip, class_of(fd, path, mode))) return;

    snprintf(record, sizeof record, "%s/lock", shadow);
    int lock = open(record, O_CREAT | O_RDWR | O_CLOEXEC, 0600);
    if (lock < 0 || flock(lock, LOCK_EX)) broken("lock", record);
    snprintf(record, sizeof record, "%s/%s", shadow, id);
    snprintf(fresh, sizeof fresh, "%s.new", record);
    FILE *to = fopen(fresh, "we");
    if (!to) broken("create", fresh);
    S_ISDIR(mode) ? record_folder(fd, to) : record_file(fd, to);
    if (fclose(to)) broken("close", fresh);
    if (rename(fresh, record)) broken("rename", record);
    close(lock);
}

/* The whole tree, for sync(2) and syncfs(2). */
static void record_tree(int folder) {
    DIR *d = fdopendir(reopen(folder, O_DIRECTORY));
    if (!d) broken("fdopendir", "tree");
    struct dirent *e;
    while ((e = readdir(d))) {
        if (!strcmp(e->d_name, ".") || !strcmp(e->d_name, "..")) continue;
        int fd = openat(dirfd(d), e->d_name, O_RDONLY | O_NOFOLLOW | O_NONBLOCK | O_CLOEXEC);
        if (fd < 0) continue;
        struct stat s;
        if (!fstat(fd, &s) && S_ISDIR(s.st_mode))
            record_tree(fd);
        else
            record(fd);
        close(fd);
    }
    closedir(d);
    record(folder);
}

static void record_root(void) {
    int fd = open(root, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd < 0) broken("open", root);
    record_tree(fd);
    close(fd);
}

int fsync(int fd) {
    int before = errno;
    record(fd);
    errno = before;
    return real_fsync(fd);
}

int fdatasync(int fd) {
    int before = errno;
    record(fd);
    errno = before;
    return real_fdatasync(fd);
}

int syncfs(int fd) {
    (void)fd;
    record_root();
    return 0;
}

void sync(void) { record_root(); }
