/* A Modbus server on libmodbus, so that the daemon is tried against another library.

   Usage: modbus_server PORT, for Modbus TCP, or
          modbus_server PATH, for a serial port: RTU at 19200 baud without parity, which
          pseudo terminals do not have
   Unit 5 only: by TCP other units answer exception 11, on a serial line they are silent. Prints
   "ready" when it listens.

   input registers     100-101 180.0, 102-103 the same with words swapped, 104-105 with bytes
                       swapped, 106-107 with both; 110 1825 as int16; 111 a count of answers
   holding registers   200-201 -40000 as int32, high word first, 202-209 0; 210, 211, 212, 213
                       answer exceptions 4, 6, 1 and 10; all others answer exception 2
   coils               3 is on, 4 is off
   discrete inputs     7 is on, 8 is off */

#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/select.h>
#include <unistd.h>

#define UNIT 5

/* All four orders of a float. Packed here, since the names that libmodbus 3.1.6 has for them are
   not those of the bytes on the wire: its ABCD swaps the bytes of each word. */
static void pack(float value, uint16_t *registers)
{
    uint32_t bits;
    uint16_t high, low;

    memcpy(&bits, &value, sizeof bits);
    high = bits >> 16;
    low = bits & 0xFFFF;
    registers[0] = registers[3] = high;
    registers[1] = registers[2] = low;
    registers[4] = registers[7] = (uint16_t)(high << 8 | high >> 8);
    registers[5] = registers[6] = (uint16_t)(low << 8 | low >> 8);
}

static int exception_of(int function, int address)
{
    static const int codes[] = { 4, 6, 1, 10 };

    if (function == MODBUS_FC_READ_HOLDING_REGISTERS && address >= 210 && address <= 213)
        return codes[address - 210];
    return 0;
}

static void answer(modbus_t *ctx, const uint8_t *query, int length, modbus_mapping_t *inputs,
                   modbus_mapping_t *others)
{
    int head = modbus_get_header_length(ctx);
    int function = query[head];
    int address = query[head + 1] << 8 | query[head + 2];
    int code = query[head - 1] == UNIT ? exception_of(function, address)
                                       : MODBUS_EXCEPTION_GATEWAY_TARGET;

    if (code) {
        modbus_reply_exception(ctx, query, code);
        return;
    }
    inputs->tab_input_registers[11]++;
    modbus_reply(ctx, query, length, function == MODBUS_FC_READ_INPUT_REGISTERS ? inputs : others);
}

static int serve_serial(modbus_t *ctx, modbus_mapping_t *inputs, modbus_mapping_t *others)
{
    uint8_t query[MODBUS_RTU_MAX_ADU_LENGTH];

    if (!ctx || modbus_set_slave(ctx, UNIT) < 0 || modbus_connect(ctx) < 0)
        return 2;
    printf("ready\n");
    fflush(stdout);
    for (;;) {
        int length = modbus_receive(ctx, query);

        if (length > 0)
            answer(ctx, query, length, inputs, others);
    }
}

static int serve_tcp(modbus_t *ctx, modbus_mapping_t *inputs, modbus_mapping_t *others)
{
    uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
    fd_set known, ready;
    int highest, fd, length, listening = ctx ? modbus_tcp_listen(ctx, 8) : -1;

    if (listening < 0)
        return 2;
    printf("ready\n");
    fflush(stdout);
    FD_ZERO(&known);
    FD_SET(listening, &known);
    highest = listening;
    for (;;) {
        ready = known;
        if (select(highest + 1, &ready, NULL, NULL, NULL) < 0)
            return 3;
        for (fd = 0; fd <= highest; fd++) {
            if (!FD_ISSET(fd, &ready))
                continue;
            if (fd == listening) {
                int accepted = modbus_tcp_accept(ctx, &listening);

                if (accepted >= 0) {
                    FD_SET(accepted, &known);
                    highest = accepted > highest ? accepted : highest;
                }
                continue;
            }
            modbus_set_socket(ctx, fd);
            length = modbus_receive(ctx, query);
            if (length > 0) {
                answer(ctx, query, length, inputs, others);
            } else if (length < 0) {
                close(fd);
                FD_CLR(fd, &known);
            }
        }
    }
}

int main(int argc, char **argv)
{
    const char *where = argc > 1 ? argv[1] : "1502";
    modbus_mapping_t *inputs = modbus_mapping_new_start_address(0, 0, 0, 0, 0, 0, 100, 12);
    modbus_mapping_t *others = modbus_mapping_new_start_address(3, 2, 7, 2, 200, 14, 0, 0);

    if (!inputs || !others)
        return 1;
    pack(180.0f, inputs->tab_input_registers);
    inputs->tab_input_registers[10] = 1825;
    others->tab_registers[0] = 0xFFFF; /* -40000 is 0xFFFF63C0 */
    others->tab_registers[1] = 0x63C0;
    others->tab_bits[0] = ON;
    others->tab_input_bits[0] = ON;
    if (where[0] == '/')
        return serve_serial(modbus_new_rtu(where, 19200, 'N', 8, 1), inputs, others);
    return serve_tcp(modbus_new_tcp("127.0.0.1", atoi(where)), inputs, others);
}
