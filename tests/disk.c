/* A disk that fails, fills up, stalls, or loses its machine, at the nth change of a job's files.

   Preloaded into a program; it counts the calls by which files named *.gpkg* are changed, and those that
   make sure of a folder. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum { NOTHING, FAIL_ONCE, FAIL_FROM, FULL_FROM, KILL, SLOW };

static int action;
static long nth, count;

void arm(int action_, long nth_) { action = action_; nth = nth_; count = 0; }
long calls(void) { return count; }

#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))

static int is_job(const char *path) { return path && strstr(path, ".gpkg") != NULL; }

static int is_job_fd(int fd) {
    char link[64], path[4096];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(link, path, sizeof path - 1);
    if (n < 0) return 0;
    path[n] = 0;
    struct stat told;
    return is_job(path) || (fstat(fd, &told) == 0 && S_ISDIR(told.st_mode));
}

/* Whether this call is to fail; `takes_room` tells writes from the rest. */
static int fails(int takes_room) {
    long now = ++count;
    if (action == SLOW) usleep(nth);
    if (action == KILL && now == nth) raise(SIGKILL);
    if ((action == FAIL_ONCE && now == nth) || (action == FAIL_FROM && now >= nth)) {
        errno = EIO;
        return 1;
    }
    if (action == FULL_FROM && now >= nth && takes_room) {
        errno = ENOSPC;
        return 1;
    }
    return 0;
}

static void tear(int fd, const void *data, size_t n, off64_t at) {
    if (action == KILL && count + 1 == nth) REAL(pwrite64)(fd, data, n / 2, at);
}

ssize_t pwrite64(int fd, const void *data, size_t n, off64_t at) {
    if (is_job_fd(fd)) { tear(fd, data, n, at); if (fails(1)) return -1; }
    return REAL(pwrite64)(fd, data, n, at);
}
ssize_t pwrite(int fd, const void *data, size_t n, off_t at) {
    if (is_job_fd(fd)) { tear(fd, data, n, at); if (fails(1)) return -1; }
    return REAL(pwrite)(fd, data, n, at);
}
ssize_t write(int fd, const void *data, size_t n) {
    return is_job_fd(fd) && fails(1) ? -1 : REAL(write)(fd, data, n);
}
int fsync(int fd) { return is_job_fd(fd) && fails(0) ? -1 : REAL(fsync)(fd); }
int fdatasync(int fd) { return is_job_fd(fd) && fails(0) ? -1 : REAL(fdatasync)(fd); }
int ftruncate(int fd, off_t n) { return is_job_fd(fd) && fails(0) ? -1 : REAL(ftruncate)(fd, n); }
int ftruncate64(int fd, off64_t n) {
    return is_job_fd(fd) && fails(0) ? -1 : REAL(ftruncate64)(fd, n);
}
int unlink(const char *path) { return is_job(path) && fails(0) ? -1 : REAL(unlink)(path); }
int link(const char *a, const char *b) { return is_job(b) && fails(1) ? -1 : REAL(link)(a, b); }

static int opening(const char *path, int flags) {
    return (flags & O_CREAT) && is_job(path) && access(path, F_OK) != 0 && fails(1);
}
int open(const char *path, int flags, ...) {
    va_list rest;
    va_start(rest, flags);
    mode_t mode = va_arg(rest, mode_t);
    va_end(rest);
    return opening(path, flags) ? -1 : REAL(open)(path, flags, mode);
}
int open64(const char *path, int flags, ...) {
    va_list rest;
    va_start(rest, flags);
    mode_t mode = va_arg(rest, mode_t);
    va_end(rest);
    return opening(path, flags) ? -1 : REAL(open64)(path, flags, mode);
}
