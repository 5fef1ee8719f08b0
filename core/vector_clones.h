// TRUNNION_VECTOR_CLONES before a free function of plain loops: it is compiled for processors with
// and without AVX2, and the program takes the one that the machine can run. Both give the same
// bits: sums keep their order and nothing is contracted (the build sets -ffp-contract=off).
#pragma once

// The sanitizers' own code isn't ready when such functions are chosen.
#if defined(__x86_64__) && defined(__GNUC__) && !defined(__clang__) && \
    !defined(__SANITIZE_ADDRESS__) && !defined(__SANITIZE_THREAD__)
#define TRUNNION_VECTOR_CLONES [[gnu::target_clones("avx2", "default")]]
#else
#define TRUNNION_VECTOR_CLONES
#endif
