/* Laid over a program with LD_PRELOAD: makes the disk below its store slow, full, broken or read-only.

   FAULT_ORDERS names a file; its first word is the order in force, read anew at each call:
     stall    each write or sync waits for as long as the order stands
     full     writes fail with ENOSPC        broken    writes and syncs fail with EIO
     readonly writes fail with EROFS
   Only files whose path holds FAULT_PATH are touched. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/types.h>
#include <time.h>
#include <unistd.h>

static void read_order(char *word, size_t size) {
    word[0] = 0;
    const char *path = getenv("FAULT_ORDERS");
    int file = path ? open(path, O_RDONLY | O_CLOEXEC) : -1;
    if (file < 0) return;
    ssize_t got = read(file, word, size - 1);
    word[got > 0 ? got : 0] = 0;
    close(file);
}

static int concerns(int fd) {
    char link[64], path[4096];
    const char *wanted = getenv("FAULT_PATH");
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, sizeof path - 1);
    if (length < 0 || !wanted) return 0;
    path[length] = 0;
    return strstr(path, wanted) != NULL;
}

/* Returns the errno to fail with, or 0. */
static int obey(int fd, int is_sync) {
    char word[32];
    struct timespec pause = {0, 20000000};
    if (!concerns(fd)) return 0;
    read_order(word, sizeof word);
    while (!strncmp(word, "stall", 5)) {
        nanosleep(&pause, NULL);
        read_order(word, sizeof word);
    }
    if (!strncmp(word, "broken", 6)) return EIO;
    if (is_sync) return 0;
    if (!strncmp(word, "full", 4)) return ENOSPC;
    if (!strncmp(word, "readonly", 8)) return EROFS;
    return 0;
}

#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))
#define FAIL_IF(fd, is_sync) \
    do { int why = obey(fd, is_sync); if (why) { errno = why; return -1; } } while (0)

ssize_t write(int fd, const void *data, size_t size) { FAIL_IF(fd, 0); return REAL(write)(fd, data, size); }
ssize_t pwrite(int fd, const void *data, size_t size, off_t at) { FAIL_IF(fd, 0); return REAL(pwrite)(fd, data, size, at); }
ssize_t pwrite64(int fd, const void *data, size_t size, off64_t at) { FAIL_IF(fd, 0); return REAL(pwrite64)(fd, data, size, at); }
int ftruncate(int fd, off_t size) { FAIL_IF(fd, 0); return REAL(ftruncate)(fd, size); }
int ftruncate64(int fd, off64_t size) { FAIL_IF(fd, 0); return REAL(ftruncate64)(fd, size); }
int fsync(int fd) { FAIL_IF(fd, 1); return REAL(fsync)(fd); }
int fdatasync(int fd) { FAIL_IF(fd, 1); return REAL(fdatasync)(fd); }
