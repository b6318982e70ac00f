/* A QEMU plugin that counts the instructions a guest executes between two addresses.
 *
 * Arguments: out=FILE, any number of span=NAME:BEGIN:END and watch=NAME:ADDRESS, addresses in hexadecimal.
 * At the end FILE holds a line for each span,
 *     span NAME calls=N total=N min=N max=N worst_call=N
 * and one for each watched address and span it was met in,
 *     watch NAME span=NAME met=N
 * The count begins after the instruction at BEGIN and ends before the instruction at END; with empty marker functions
 * at both addresses it holds the two calls of the markers beside what lies between them.
 *
 * Debian ships QEMU without qemu-plugin.h, so the eight functions used are declared here, by version 1 of the plugin
 * interface.
 */
#include <inttypes.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define VISIBLE __attribute__((visibility("default")))

struct qemu_plugin_tb;
struct qemu_plugin_insn;
typedef struct {
    const char *target_name;
    struct {
        int min;
        int cur;
    } version;
    bool system_emulation;
} qemu_info_t;

extern void qemu_plugin_register_vcpu_tb_trans_cb(uint64_t id, void (*call)(uint64_t id, struct qemu_plugin_tb *tb));
extern size_t qemu_plugin_tb_n_insns(const struct qemu_plugin_tb *tb);
extern struct qemu_plugin_insn *qemu_plugin_tb_get_insn(const struct qemu_plugin_tb *tb, size_t index);
extern uint64_t qemu_plugin_insn_vaddr(const struct qemu_plugin_insn *insn);
extern void qemu_plugin_register_vcpu_insn_exec_cb(struct qemu_plugin_insn *insn,
                                                   void (*call)(unsigned int cpu, void *data), int flags, void *data);
extern void qemu_plugin_register_atexit_cb(uint64_t id, void (*call)(uint64_t id, void *data), void *data);
extern void qemu_plugin_outs(const char *text);

VISIBLE int qemu_plugin_version = 1;

enum { MOST_SPANS = 16, MOST_WATCHES = 16, LONGEST_NAME = 63 };

struct span {
    char name[LONGEST_NAME + 1];
    uint64_t begin, end;
    bool open;
    /* The count of all instructions when the span began. */
    uint64_t begun;
    uint64_t calls, total, min, max, worst_call;
};

struct watch {
    char name[LONGEST_NAME + 1];
    uint64_t address;
    uint64_t met[MOST_SPANS];
};

static struct span spans[MOST_SPANS];
static struct watch watches[MOST_WATCHES];
static size_t span_count, watch_count;
/* Instructions executed so far. */
static uint64_t now;
static FILE *out;

static void close_span(struct span *span)
{
    if (!span->open) {
        return;
    }
    uint64_t count = now - span->begun;

    span->open = false;
    if (span->calls == 0 || count < span->min) {
        span->min = count;
    }
    if (span->calls == 0 || count > span->max) {
        span->max = count;
        span->worst_call = span->calls;
    }
    span->calls++;
    span->total += count;
}

static void executed(unsigned int cpu, void *data)
{
    (void)cpu;
    (void)data;
    now++;
}

/* An instruction at one of the addresses asked for. */
static void reached(unsigned int cpu, void *data)
{
    uint64_t address = (uint64_t)(uintptr_t)data;

    for (size_t i = 0; i < span_count; i++) {
        if (address == spans[i].end) {
            close_span(&spans[i]);
        }
    }
    executed(cpu, data);
    for (size_t i = 0; i < span_count; i++) {
        if (address == spans[i].begin) {
            spans[i].open = true;
            spans[i].begun = now;
        }
        for (size_t w = 0; w < watch_count; w++) {
            if (spans[i].open && address == watches[w].address) {
                watches[w].met[i]++;
            }
        }
    }
}

static bool is_asked_for(uint64_t address)
{
    for (size_t i = 0; i < span_count; i++) {
        if (address == spans[i].begin || address == spans[i].end) {
            return true;
        }
    }
    for (size_t i = 0; i < watch_count; i++) {
        if (address == watches[i].address) {
            return true;
        }
    }
    return false;
}

static void translated(uint64_t id, struct qemu_plugin_tb *tb)
{
    (void)id;
    for (size_t i = 0; i < qemu_plugin_tb_n_insns(tb); i++) {
        struct qemu_plugin_insn *insn = qemu_plugin_tb_get_insn(tb, i);
        uint64_t address = qemu_plugin_insn_vaddr(insn);

        qemu_plugin_register_vcpu_insn_exec_cb(insn, is_asked_for(address) ? reached : executed, 0,
                                               (void *)(uintptr_t)address);
    }
}

static void finished(uint64_t id, void *data)
{
    (void)id;
    (void)data;
    for (size_t i = 0; i < span_count; i++) {
        fprintf(out,
                "span %s calls=%" PRIu64 " total=%" PRIu64 " min=%" PRIu64 " max=%" PRIu64 " worst_call=%" PRIu64 "\n",
                spans[i].name, spans[i].calls, spans[i].total, spans[i].min, spans[i].max, spans[i].worst_call);
    }
    for (size_t w = 0; w < watch_count; w++) {
        for (size_t i = 0; i < span_count; i++) {
            if (watches[w].met[i] > 0) {
                fprintf(out, "watch %s span=%s met=%" PRIu64 "\n", watches[w].name, spans[i].name, watches[w].met[i]);
            }
        }
    }
    fclose(out);
}

static bool take_argument(const char *argument)
{
    if (strncmp(argument, "out=", 4) == 0) {
        out = fopen(argument + 4, "w");
        return out != NULL;
    }
    if (strncmp(argument, "span=", 5) == 0 && span_count < MOST_SPANS) {
        struct span *span = &spans[span_count++];
        return sscanf(argument + 5, "%63[^:]:%" SCNx64 ":%" SCNx64, span->name, &span->begin, &span->end) == 3;
    }
    if (strncmp(argument, "watch=", 6) == 0 && watch_count < MOST_WATCHES) {
        struct watch *watch = &watches[watch_count++];
        return sscanf(argument + 6, "%63[^:]:%" SCNx64, watch->name, &watch->address) == 2;
    }
    return false;
}

VISIBLE int qemu_plugin_install(uint64_t id, const qemu_info_t *info, int argc, char **argv)
{
    (void)info;
    for (int i = 0; i < argc; i++) {
        if (!take_argument(argv[i])) {
            qemu_plugin_outs("icount: this argument cannot be used: ");
            qemu_plugin_outs(argv[i]);
            qemu_plugin_outs("\n");
            return -1;
        }
    }
    if (out == NULL) {
        qemu_plugin_outs("icount: no out=FILE\n");
        return -1;
    }
    qemu_plugin_register_vcpu_tb_trans_cb(id, translated);
    qemu_plugin_register_atexit_cb(id, finished, NULL);
    return 0;
}
