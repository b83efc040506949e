#include "tests/daemon/ledger/lying_disk.hpp"

#include <algorithm>
#include <new>
#include <utility>

namespace slowfilm::ledger {
namespace {

LyingDisk* disk = nullptr;
sqlite3_vfs* real_vfs = nullptr;

// SQLite allocates szOsFile bytes: ours, then the real file's.
struct File {
    sqlite3_file base;
    std::string* name;
};

sqlite3_file* real(sqlite3_file* file) {
    return reinterpret_cast<sqlite3_file*>(reinterpret_cast<File*>(file) + 1);
}
const std::string& name(sqlite3_file* file) {
    return *reinterpret_cast<File*>(file)->name;
}

int close_file(sqlite3_file* file) {
    const int code = real(file)->pMethods->xClose(real(file));
    delete reinterpret_cast<File*>(file)->name;
    return code;
}
int read_file(sqlite3_file* file, void* to, int bytes, sqlite3_int64 offset) {
    return real(file)->pMethods->xRead(real(file), to, bytes, offset);
}
int write_file(sqlite3_file* file, const void* from, int bytes, sqlite3_int64 offset) {
    if (const int code = disk->before_change(); code != SQLITE_OK)
        return code;
    disk->note_change(name(file),
                      {offset, std::string(static_cast<const char*>(from), static_cast<std::size_t>(bytes)), false});
    return real(file)->pMethods->xWrite(real(file), from, bytes, offset);
}
int truncate_file(sqlite3_file* file, sqlite3_int64 size) {
    if (const int code = disk->before_change(); code != SQLITE_OK)
        return code;
    disk->note_change(name(file), {size, "", true});
    return real(file)->pMethods->xTruncate(real(file), size);
}
// The real sync is left out: what matters is which bytes SQLite asked it for.
int sync_file(sqlite3_file* file, int) {
    if (const int code = disk->before_change(); code != SQLITE_OK)
        return code;
    disk->note_sync(name(file));
    return SQLITE_OK;
}
int file_size(sqlite3_file* file, sqlite3_int64* size) {
    return real(file)->pMethods->xFileSize(real(file), size);
}
int lock(sqlite3_file* file, int level) {
    return real(file)->pMethods->xLock(real(file), level);
}
int unlock(sqlite3_file* file, int level) {
    return real(file)->pMethods->xUnlock(real(file), level);
}
int check_lock(sqlite3_file* file, int* out) {
    return real(file)->pMethods->xCheckReservedLock(real(file), out);
}
int control(sqlite3_file* file, int what, void* with) {
    return real(file)->pMethods->xFileControl(real(file), what, with);
}
int sector_size(sqlite3_file*) {
    return 512;
}
// As SQLite takes any disk to be: a write cut short damages no byte outside it. Nothing is atomic.
int characteristics(sqlite3_file*) {
    return SQLITE_IOCAP_POWERSAFE_OVERWRITE;
}
int shm_map(sqlite3_file* file, int page, int size, int extend, void volatile** out) {
    return real(file)->pMethods->xShmMap(real(file), page, size, extend, out);
}
int shm_lock(sqlite3_file* file, int offset, int n, int flags) {
    return real(file)->pMethods->xShmLock(real(file), offset, n, flags);
}
void shm_barrier(sqlite3_file* file) {
    real(file)->pMethods->xShmBarrier(real(file));
}
int shm_unmap(sqlite3_file* file, int remove) {
    return real(file)->pMethods->xShmUnmap(real(file), remove);
}

const sqlite3_io_methods methods = {
    2,        close_file,  read_file,  write_file, truncate_file, sync_file,       file_size,
    lock,     unlock,      check_lock, control,    sector_size,   characteristics, shm_map,
    shm_lock, shm_barrier, shm_unmap,  nullptr,    nullptr};

int open_file(sqlite3_vfs*, const char* path, sqlite3_file* file, int flags, int* out_flags) {
    auto* ours = reinterpret_cast<File*>(file);
    ours->base.pMethods = nullptr;
    const int code = real_vfs->xOpen(real_vfs, path, real(file), flags, out_flags);
    if (code != SQLITE_OK)
        return code;
    ours->name = new std::string(path == nullptr ? "" : path);
    ours->base.pMethods = &methods;
    sqlite3_int64 size = 0;
    real(file)->pMethods->xFileSize(real(file), &size);
    std::string content(static_cast<std::size_t>(size), '\0');
    if (size > 0)
        real(file)->pMethods->xRead(real(file), content.data(), static_cast<int>(size), 0);
    disk->note_open(*ours->name, std::move(content));
    return SQLITE_OK;
}
int delete_file(sqlite3_vfs*, const char* path, int sync_directory) {
    disk->note_delete(path);
    return real_vfs->xDelete(real_vfs, path, sync_directory);
}

sqlite3_vfs make_vfs() {
    sqlite3_vfs vfs = *real_vfs;
    vfs.pNext = nullptr;
    vfs.zName = "lying-disk";
    vfs.szOsFile = static_cast<int>(sizeof(File)) + real_vfs->szOsFile;
    vfs.xOpen = open_file;
    vfs.xDelete = delete_file;
    return vfs;
}
sqlite3_vfs our_vfs;

}  // namespace

LyingDisk::LyingDisk() {
    disk = this;
    real_vfs = sqlite3_vfs_find(nullptr);
    our_vfs = make_vfs();
    sqlite3_vfs_register(&our_vfs, 1);
}

LyingDisk::~LyingDisk() {
    sqlite3_vfs_unregister(&our_vfs);
    disk = nullptr;
}

void LyingDisk::fail_at(long n, int code, bool for_good) {
    const std::lock_guard guard(mutex_);
    calls_ = 0;
    fail_at_ = n;
    code_ = code;
    for_good_ = for_good;
    failed_ = false;
}

bool LyingDisk::has_failed() {
    const std::lock_guard guard(mutex_);
    return failed_;
}

long LyingDisk::calls() {
    const std::lock_guard guard(mutex_);
    return calls_;
}

bool LyingDisk::has_unsynced(const std::string& ending) {
    const std::lock_guard guard(mutex_);
    return std::any_of(images_.begin(), images_.end(), [&](const auto& entry) {
        const std::string& file = entry.first;
        return file.size() >= ending.size() && file.compare(file.size() - ending.size(), ending.size(), ending) == 0 &&
               !entry.second.unsynced.empty();
    });
}

LyingDisk::Images LyingDisk::images() {
    const std::lock_guard guard(mutex_);
    return images_;
}

void LyingDisk::on_write(std::function<void(long)> observer) {
    const std::lock_guard guard(mutex_);
    observer_ = std::move(observer);
}

int LyingDisk::before_change() {
    std::unique_lock guard(mutex_);
    ++calls_;
    const auto observer = observer_;
    const long calls = calls_;
    const bool fails = fail_at_ > 0 && (calls_ == fail_at_ || (for_good_ && calls_ > fail_at_));
    failed_ = failed_ || fails;
    const int code = fails ? code_ : SQLITE_OK;
    guard.unlock();
    if (observer)
        observer(calls);
    return code;
}

void LyingDisk::note_open(const std::string& name, std::string content) {
    const std::lock_guard guard(mutex_);
    if (images_.count(name) == 0)
        images_[name].synced = std::move(content);
}

void LyingDisk::note_change(const std::string& name, Change change) {
    const std::lock_guard guard(mutex_);
    images_[name].unsynced.push_back(std::move(change));
}

namespace {
void apply(std::string& to, const LyingDisk::Change& change, std::int64_t from, std::int64_t bytes) {
    if (change.truncation) {
        to.resize(static_cast<std::size_t>(change.offset));
        return;
    }
    const auto begin = static_cast<std::size_t>(change.offset + from);
    if (to.size() < begin + static_cast<std::size_t>(bytes))
        to.resize(begin + static_cast<std::size_t>(bytes));
    to.replace(begin, static_cast<std::size_t>(bytes), change.bytes, static_cast<std::size_t>(from),
               static_cast<std::size_t>(bytes));
}
}  // namespace

void LyingDisk::note_sync(const std::string& name) {
    const std::lock_guard guard(mutex_);
    Image& image = images_[name];
    for (const Change& change : image.unsynced)
        apply(image.synced, change, 0, static_cast<std::int64_t>(change.bytes.size()));
    image.unsynced.clear();
}

void LyingDisk::note_delete(const std::string& name) {
    const std::lock_guard guard(mutex_);
    images_.erase(name);
}

std::string after_power_cut(const LyingDisk::Image& image, std::mt19937_64& chance) {
    std::string content = image.synced;
    for (const LyingDisk::Change& change : image.unsynced) {
        const auto size = static_cast<std::int64_t>(change.bytes.size());
        const auto kind = chance() % 3;  // none of it, all of it, some sectors
        if (kind == 0)
            continue;
        if (kind == 1 || change.truncation) {
            apply(content, change, 0, size);
            continue;
        }
        for (std::int64_t from = 0; from < size; from += 512) {
            if (chance() % 2 == 0)
                apply(content, change, from, std::min<std::int64_t>(512, size - from));
        }
    }
    return content;
}

}  // namespace slowfilm::ledger
