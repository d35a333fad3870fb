/* A disk on which a sync takes time: a preloaded library that holds each fsync and fdatasync back.
 *
 *   cc -shared -fPIC -O2 -o slow_sync.so tests/faults/slow_sync.c
 *   LD_PRELOAD=$PWD/slow_sync.so SLOW_SYNC_US=4000 program…
 *
 * For benches alone: how a program that waits for one sync compares with a bare one that does, on a machine whose own
 * syncs cost nothing. Syncs of several threads are held back side by side, as by a disk that takes them together.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <stdlib.h>
#include <time.h>

static long us;
static int (*real_fsync)(int);
static int (*real_fdatasync)(int);

__attribute__((constructor)) static void start(void) {
    const char *said = getenv("SLOW_SYNC_US");
    us = said ? atol(said) : 0;
    real_fsync = (int (*)(int))dlsym(RTLD_NEXT, "fsync");
    real_fdatasync = (int (*)(int))dlsym(RTLD_NEXT, "fdatasync");
    if (!real_fsync || !real_fdatasync) abort();
}

static void hold(void) {
    struct timespec left = {us / 1000000, us % 1000000 * 1000};
    while (us > 0 && nanosleep(&left, &left) != 0) {}
}

int fsync(int fd) {
    hold();
    return real_fsync(fd);
}

int fdatasync(int fd) {
    hold();
    return real_fdatasync(fd);
}
