/* Stands between a program and the disk for files of one folder: writes down what is written and
 * synced, and fails calls when told to.
 *
 * Loaded with LD_PRELOAD. SQLite is linked statically into the program but calls the C library for
 * every write, so that all of them pass here. Files of the folder in NIGHTJAR_SHIM_FOLDER are watched.
 *
 * NIGHTJAR_SHIM_TRACE  file the trace is appended to; one record a call (see trace.rs):
 *                      kind (1), file (1), result (2), length (4), offset (8), then the bytes
 * NIGHTJAR_SHIM_ORDERS file of eight 64-bit numbers, mapped and shared with the test:
 *                      0 kinds of calls that may fail (bits), 1 calls of these to let pass first,
 *                      2 error number, 3 how many to fail then, 4 calls seen, 5 calls failed,
 *                      6 milliseconds to stall instead of failing, 7 unused
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>

enum { WRITE = 1, SYNC = 2, TRUNCATE = 3, UNLINK = 4, CREATE = 5, OPEN = 6 };
enum { FILES = 4096 };
enum { NONE = 0, DATABASE = 1, LOG = 2, JOURNAL = 3, SHARED = 4, OTHER = 5, FOLDER = 6 };

static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
static unsigned char kind_of[FILES];
static char folder[1024];
static int trace_fd = -1;
static volatile uint64_t *orders;

__attribute__((constructor)) static void begin(void) {
    const char *name = getenv("NIGHTJAR_SHIM_FOLDER");
    if (name) strncpy(folder, name, sizeof folder - 1);
    if ((name = getenv("NIGHTJAR_SHIM_TRACE")))
        trace_fd = syscall(SYS_openat, AT_FDCWD, name, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
    if ((name = getenv("NIGHTJAR_SHIM_ORDERS"))) {
        int fd = syscall(SYS_openat, AT_FDCWD, name, O_RDWR | O_CLOEXEC, 0);
        void *at = fd < 0 ? MAP_FAILED : mmap(0, 64, PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
        if (at != MAP_FAILED) orders = at;
    }
}

static unsigned char kind_of_path(const char *path) {
    size_t length = strlen(folder);
    if (!length || !path || strncmp(path, folder, length)) return NONE;
    if (path[length] == 0) return FOLDER;
    if (path[length] != '/') return NONE;
    const char *name = path + length + 1;
    if (!strcmp(name, "nightjar.sqlite")) return DATABASE;
    if (!strcmp(name, "nightjar.sqlite-wal")) return LOG;
    if (!strcmp(name, "nightjar.sqlite-journal")) return JOURNAL;
    if (!strcmp(name, "nightjar.sqlite-shm")) return SHARED;
    return OTHER;
}

static unsigned char watched(int fd) { return fd >= 0 && fd < FILES ? kind_of[fd] : NONE; }

static void note(unsigned char what, unsigned char file, uint64_t offset, const void *bytes, uint32_t length) {
    if (trace_fd < 0 || file == NONE || file == SHARED || file == OTHER) return;
    unsigned char head[16] = {what, file};
    memcpy(head + 4, &length, 4);
    memcpy(head + 8, &offset, 8);
    size_t total = sizeof head + (bytes ? length : 0);
    unsigned char *record = malloc(total);
    if (!record) abort();
    memcpy(record, head, sizeof head);
    if (bytes) memcpy(record + sizeof head, bytes, length);
    pthread_mutex_lock(&lock);
    /* One write, so that a kill never leaves half a record behind a whole one. */
    if (syscall(SYS_write, trace_fd, record, total) != (long)total) abort();
    pthread_mutex_unlock(&lock);
    free(record);
}

/* Whether this call fails; sets errno then. */
static int fails(unsigned char what, unsigned char file) {
    if (!orders || file == NONE || !(orders[0] & (1u << what))) return 0;
    pthread_mutex_lock(&lock);
    uint64_t seen = ++orders[4];
    int hit = seen > orders[1] && orders[5] < orders[3];
    if (hit) orders[5]++;
    int number = orders[2];
    uint64_t stall = orders[6];
    pthread_mutex_unlock(&lock);
    if (hit && stall) {
        struct timespec length = {stall / 1000, stall % 1000 * 1000000};
        nanosleep(&length, 0);
        return 0;
    }
    if (hit) errno = number;
    return hit;
}

#define REAL(name) ((__typeof__(&name))real(#name))
static void *real(const char *name) {
    void *found = dlsym(RTLD_NEXT, name);
    if (!found) abort();
    return found;
}

static int open_any(int at, const char *path, int flags, mode_t mode) {
    unsigned char file = kind_of_path(path);
    if (fails(OPEN, file)) return -1;
    struct stat before;
    int fresh = file && (flags & O_CREAT) && fstatat(at, path, &before, 0) != 0;
    int fd = syscall(SYS_openat, at, path, flags, mode);
    if (fd >= 0 && fd < FILES) kind_of[fd] = file;
    if (fd >= 0 && fresh) note(CREATE, file, 0, 0, 0);
    if (fd >= 0 && !fresh && (flags & O_TRUNC)) note(TRUNCATE, file, 0, 0, 0);
    return fd;
}

#define MODE(flags)                                   \
    mode_t mode = 0;                                  \
    if ((flags) & (O_CREAT | __O_TMPFILE)) {          \
        va_list more;                                 \
        va_start(more, flags);                        \
        mode = va_arg(more, int);                     \
        va_end(more);                                 \
    }

int open(const char *path, int flags, ...) { MODE(flags) return open_any(AT_FDCWD, path, flags, mode); }
int open64(const char *path, int flags, ...) { MODE(flags) return open_any(AT_FDCWD, path, flags | O_LARGEFILE, mode); }
int openat(int at, const char *path, int flags, ...) { MODE(flags) return open_any(at, path, flags, mode); }
int openat64(int at, const char *path, int flags, ...) { MODE(flags) return open_any(at, path, flags | O_LARGEFILE, mode); }

int close(int fd) {
    if (fd >= 0 && fd < FILES) kind_of[fd] = NONE;
    return REAL(close)(fd);
}

ssize_t write(int fd, const void *bytes, size_t length) {
    unsigned char file = watched(fd);
    if (file == NONE) return syscall(SYS_write, fd, bytes, length);
    if (fails(WRITE, file)) return -1;
    note(WRITE, file, lseek(fd, 0, SEEK_CUR), bytes, length);
    return syscall(SYS_write, fd, bytes, length);
}

static ssize_t pwrite_any(int fd, const void *bytes, size_t length, off_t offset) {
    unsigned char file = watched(fd);
    if (fails(WRITE, file)) return -1;
    note(WRITE, file, offset, bytes, length);
    return syscall(SYS_pwrite64, fd, bytes, length, offset);
}
ssize_t pwrite(int fd, const void *bytes, size_t length, off_t offset) { return pwrite_any(fd, bytes, length, offset); }
ssize_t pwrite64(int fd, const void *bytes, size_t length, off64_t offset) { return pwrite_any(fd, bytes, length, offset); }

static int truncate_any(int fd, off_t length) {
    unsigned char file = watched(fd);
    if (fails(WRITE, file)) return -1;
    note(TRUNCATE, file, length, 0, 0);
    return syscall(SYS_ftruncate, fd, length);
}
int ftruncate(int fd, off_t length) { return truncate_any(fd, length); }
int ftruncate64(int fd, off64_t length) { return truncate_any(fd, length); }

/* A sync counts once it has returned: until then the bytes may be lost. */
static int sync_any(int fd, long number) {
    unsigned char file = watched(fd);
    if (fails(SYNC, file)) return -1;
    int result = syscall(number, fd);
    if (result == 0) note(SYNC, file, 0, 0, 0);
    return result;
}
int fsync(int fd) { return sync_any(fd, SYS_fsync); }
int fdatasync(int fd) { return sync_any(fd, SYS_fdatasync); }

int unlink(const char *path) {
    unsigned char file = kind_of_path(path);
    note(UNLINK, file, 0, 0, 0);
    return syscall(SYS_unlinkat, AT_FDCWD, path, 0);
}
